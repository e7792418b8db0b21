#!/bin/sh
i=0
while [ $i -lt 4 ]
do
  cat d.bin >> mirrored.rom
  i=`expr_free=$i; echo $((i+1))`
done
