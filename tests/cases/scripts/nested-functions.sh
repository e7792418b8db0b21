#!/bin/sh
log() { echo "$*" >&2; }
get() { log "get $1"; [ "$1" = none ] && return 1; cat "$1"; }
pair() { get "$1"; get "$2"; }
pair a.bin d.bin > pair.rom
get none > empty.rom || log "nothing"
