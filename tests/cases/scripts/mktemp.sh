#!/bin/sh
t=$(mktemp)
d=$(mktemp -d)
cat a.bin > "$t"
cat b.bin > "$d/part"
cat "$t" "$d/part" > m.rom
rm -rf "$t" "$d"
