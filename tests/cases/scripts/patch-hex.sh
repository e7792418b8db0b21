#!/bin/sh
cp b.bin fixed.rom
xxd -r -p patch.hex | dd of=fixed.rom bs=1 seek=$((0x40)) conv=notrunc status=none
