#!/bin/bash
for ((i = 0; i < 8; i += 2)); do
    dd if=a.bin bs=64 skip=$i count=1 2>/dev/null >> even.rom
done
n=5; let n+=2; ((n++)); echo -n "$n" > n.txt
echo -e "a\tb" >> n.txt
s=moth; echo "${s^^}${s:1:2}${s/o/0}" >> n.txt
