#!/bin/sh
n=0
until false; do
  n=$((n + 1))
  [ $n -eq 2 ] && continue
  [ $n -gt 4 ] && break
  printf '%d\n' $n
done > numbers.txt
