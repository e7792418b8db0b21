#!/bin/sh
for b in 3 1 0 2; do dd if=c.bin bs=1024 skip=$b count=1 status=none; done > banks.rom
