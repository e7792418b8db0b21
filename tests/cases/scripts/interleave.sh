#!/bin/sh
srec_cat hi.rom -binary -unsplit 2 0 \
         lo.rom -binary -unsplit 2 1 \
         -o main.rom -binary
