#!/bin/bash
set -euo pipefail
cat {a,b}.bin roms/{1.6f,2.6h} > braces.rom
for i in {1..3}; do printf "\\x%02x" "$i" > /dev/null; printf '\x4E' >> n.rom; done
