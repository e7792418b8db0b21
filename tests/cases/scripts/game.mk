# builds the set
PARTS := a.bin b.bin
EXTRA = $(wildcard roms/*.6?)
OUT ?= game.rom

.PHONY: all clean
all: $(OUT) d.swapped extra.rom

$(OUT): $(PARTS) d.bin
	cat $^ > $@

# every .bin can be swapped
%.swapped: %.bin
	@dd if=$< of=$@ conv=swab 2>/dev/null

extra.rom: $(sort $(EXTRA))
	-rm -f $@
	for f in $^; do \
	  cat $$f >> $@; \
	done

clean:
	rm -f *.rom
