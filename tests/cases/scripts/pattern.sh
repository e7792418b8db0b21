#!/bin/sh
for f in roms/*
do
	echo "adding $f" >&2
	cat $f >>all.rom
done
