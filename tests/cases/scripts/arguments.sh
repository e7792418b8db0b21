#!/bin/sh
set -- a.bin "Two Words.BIN" b.bin
for f; do cat "$f"; done > args.rom
shift
cat "$1" "$2" > shifted.rom
echo $# > count.txt
