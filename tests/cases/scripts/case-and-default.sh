#!/bin/sh
SET=${SET:-second}
case "$SET" in
  first) parts="a.bin b.bin" ;;
  second|third) parts="b.bin a.bin" ;;
  *) echo "unknown set"; exit 1 ;;
esac
cat $parts > set.rom
