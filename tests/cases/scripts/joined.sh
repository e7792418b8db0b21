#!/bin/sh
# puts the set together
cat a.bin b.bin c.bin > MOTH.ROM
