#!/bin/sh
(
  cd roms || exit 1
  cat 1.6f 2.6h > ../pair.rom
)
ls >/dev/null 2>&1
cp pair.rom roms/
