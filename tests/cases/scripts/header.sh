#!/bin/sh
{
    printf 'HDR\032'
    printf '\002\001\000\000'
    cat a.bin b.bin
} > headed.rom
