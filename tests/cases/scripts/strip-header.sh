#!/bin/sh
tail -c +129 c.bin > stripped.rom
tail -c 100 c.bin > tail.rom
head -c 128 c.bin > head.rom
