#!/bin/sh
dd if=a.bin of=swapped.bin conv=swab status=none && cat swapped.bin b.bin > prog.rom && rm swapped.bin
