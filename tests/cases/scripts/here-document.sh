#!/bin/sh
name=moth
cat > $name.cfg <<EOF
title=$name
size=$((2048 * 2))
EOF
cat >> $name.cfg <<'EOF'
raw=$name
EOF
