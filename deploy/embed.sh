#!/bin/sh
# Makes a C file that carries the shipped configuration files (config/shipped.h), so that the
# programs have their defaults wherever they stand. embed.sh FILE... > shipped.c
set -eu
echo '/* made by deploy/embed.sh */'
echo '#include "config/shipped.h"'
i=0
for f in "$@"; do
    printf 'static const unsigned char text_%d[] = {' "$i"
    od -An -v -tu1 "$f" | sed 's/  */,/g; s/^,//; s/$/,/'
    echo '0};'
    i=$((i + 1))
done
echo 'const struct shipped_file shipped_files[] = {'
i=0
for f in "$@"; do
    printf '    {"%s", (const char *)text_%d, sizeof text_%d - 1},\n' "${f#config/}" "$i" "$i"
    i=$((i + 1))
done
echo '    {0, 0, 0}};'
