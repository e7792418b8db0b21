#!/bin/sh -eu
ROMS=roms
OUT=out
mkdir -p "$OUT"
cat "$ROMS/1.6f" "$ROMS/2.6h" \
    "$ROMS/3.6j" > "$OUT/game.rom"
