#!/bin/sh
objcopy -I binary -O binary --gap-fill 0xff --pad-to 0x4000 a.bin padded.rom
objcopy -I binary -O binary -i 2 -b 0 c.bin even.rom
objcopy -I binary -O binary -i 2 -b 1 c.bin odd.rom
objcopy -I binary -O binary --reverse-bytes=4 c.bin rev.rom
objcopy -I binary -O binary -i 4 -b 2 --interleave-width 2 c.bin words.rom
