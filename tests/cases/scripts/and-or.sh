#!/bin/sh
[ -d build ] || mkdir build
cat a.bin b.bin > build/x.rom && cp build/x.rom build/y.rom || echo failed
! cmp -s a.bin b.bin && cat d.bin >> build/y.rom
if cmp -s build/x.rom build/y.rom; then rm build/y.rom; elif true; then cp d.bin build/z.rom; fi
