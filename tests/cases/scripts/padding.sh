#!/bin/sh
size=$(wc -c < d.bin)
cat d.bin > padded.rom
dd if=/dev/zero bs=1 count=$((2048 - size)) 2>/dev/null | tr '\000' '\377' >> padded.rom
