#!/bin/sh
set -e
tmp=work.tmp
trap 'rm -f "$tmp"' EXIT
cat a.bin a.bin > "$tmp"
head -c 3000 "$tmp" > cut.rom
