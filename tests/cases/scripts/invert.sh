#!/bin/sh
srec_cat a.bin -binary -not -o inv.rom -binary
srec_cat b.bin -bin -xor 0x5a -o xored.rom -bin
srec_cat b.bin -binary -bit-reverse -o rev.rom -binary
