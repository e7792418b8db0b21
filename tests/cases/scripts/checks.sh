#!/bin/sh
for f in a.bin b.bin; do
  if [ ! -f "$f" ]; then echo "missing $f"; exit 1; fi
done
[ -s d.bin ] || exit 2
test "$(wc -c < a.bin)" -eq 2048 || { echo size; exit 3; }
cat a.bin b.bin > checked.rom
cmp -s a.bin b.bin && rm checked.rom
true
