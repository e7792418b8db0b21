#!/bin/sh
	# a comment	with tabs
cat	a.bin	\
	b.bin	>	tabs.rom	# and one behind
: nothing ; true
