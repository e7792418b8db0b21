#!/bin/sh
cat a.bin > early.rom
[ -e nothing ] || exit 0
cat b.bin >> early.rom
