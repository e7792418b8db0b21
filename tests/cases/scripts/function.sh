#!/bin/sh
# usage: part FILE FROM COUNT
part () {
    dd if="$1" bs=256 skip="$2" count="$3" 2>/dev/null
}
part c.bin 0 4 > first.rom
part c.bin 4 12 > rest.rom
cat rest.rom first.rom > turned.rom
