#!/bin/sh
for f in a.bin b.bin; do
  base=${f%.bin}
  cp "$f" "$base.rom"
done
path=roms/1.6f
cp "$path" "${path##*/}.copy"
echo "${path%/*}:${#path}:${none-unset}" > text.txt
