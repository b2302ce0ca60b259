#!/bin/sh
# Makes a C file that carries the files of the page (gateway/web/assets.h), as they are and compressed.
# embed-pages.sh LIST FILE... > pages.c      (LIST is its name in C; the last part of a file's path is its name on the page)
set -eu
list=$1
shift
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT

bytes() { # bytes NAME FILE
    printf 'static const unsigned char %s[] = {' "$1"
    od -An -v -tu1 "$2" | sed 's/  */,/g; s/^,//; s/$/,/'
    echo '0};'
}

echo '/* made by deploy/embed-pages.sh */'
echo '#include "web/assets.h"'
i=0
rows=
for f in "$@"; do
    [ -f "$f" ] || continue
    case $f in
    *.html) type='text/html; charset=utf-8' ;;
    *.js) type='text/javascript; charset=utf-8' ;;
    *.css) type='text/css; charset=utf-8' ;;
    *.json) type='application/json' ;;
    *.svg) type='image/svg+xml' ;;
    *.txt) type='text/plain; charset=utf-8' ;;
    *) echo "embed-pages.sh: what kind of file is $f?" >&2; exit 1 ;;
    esac
    gzip -9 -n -c "$f" > "$work/gz"
    bytes "plain_$i" "$f"
    bytes "gzip_$i" "$work/gz"
    small=$(wc -c < "$work/gz")
    [ "$small" -lt "$(wc -c < "$f")" ] || small=0
    rows="$rows
    {\"/$(basename "$f")\", \"$type\", \"$(sha256sum "$f" | cut -c1-24)\", plain_$i, sizeof plain_$i - 1, gzip_$i, $small},"
    i=$((i + 1))
done
echo "const struct asset ${list}[] = {$rows"
echo '    {0, 0, 0, 0, 0, 0, 0}};'
