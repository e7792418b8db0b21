#!/bin/sh
srec_cat '(' a.bin -Binary -Offset 0x1000 \
             b.bin -Binary -Offset 0x2000 ')' -Fill 0xFF 0x0000 0x4000 \
         -Output placed.rom -Binary
srec_cat c.bin -bin -crop 0x100 0x200 -offset -0x100 -o part.rom -bin
srec_cat -multiple c.bin -bin d.bin -bin -offset 0x400 -o over.rom -bin
