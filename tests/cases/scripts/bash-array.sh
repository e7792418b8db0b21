#!/usr/bin/env bash
parts=(a.bin b.bin)
parts+=(d.bin)
cat "${parts[@]}" > array.rom
echo "${#parts[@]} parts"
