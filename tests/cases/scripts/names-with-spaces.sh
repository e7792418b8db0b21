#!/bin/sh
cp 'Two Words.BIN' "copy of it.bin"
cat "copy of it.bin" Two\ Words.BIN > "Both Of Them.ROM"
rm "copy of it.bin"
