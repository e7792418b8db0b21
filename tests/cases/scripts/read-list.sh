#!/bin/sh
rm -f listed.rom
while read -r name; do
  cat "$name" >> listed.rom
done < list.txt
