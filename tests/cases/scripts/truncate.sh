#!/bin/sh
cp d.bin t.rom; truncate -s 4K t.rom
cp c.bin u.rom; truncate -s -96 u.rom
cp d.bin v.rom; truncate -s %1000 v.rom
