#!/bin/sh
cat a.bin | tee copy1.rom copy2.rom > copy3.rom
cat b.bin | tee -a copy1.rom > /dev/null
