#!/bin/bash
cat <(head -c 16 a.bin) <(tail -c 16 b.bin) > ps.rom
cat <<< "moth" >> ps.rom
[[ -f a.bin && ps.rom == *.rom ]] && (( 2 > 1 )) && cp ps.rom both.rom
