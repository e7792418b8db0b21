#!/bin/sh
xxd -r -p <<END > bytes.rom
DE AD BE EF
00 1A
END
cat <<-END | tr a-z A-Z > upper.txt
	moth
	END
cat bytes.rom d.bin > with.rom
