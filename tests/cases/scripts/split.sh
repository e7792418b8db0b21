#!/bin/sh
split -b 1024 -d c.bin quarter.
cat quarter.03 quarter.02 quarter.01 quarter.00 > reversed.rom
