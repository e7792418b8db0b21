#!/bin/sh
tr -d '\r\n' < list.txt > line.txt
tr 'a-y' 'b-z' < list.txt > shifted.txt
tr '[:lower:]' '[:upper:]' < list.txt > upper.txt
