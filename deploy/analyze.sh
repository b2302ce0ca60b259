#!/bin/sh
# gcc's -fanalyzer and clang's analyzer over the sources: analyze.sh CPPFLAGS... . ANALYZE="FILE..." for some of them.
# What is found is a fault; what is known not to be one stands in deploy/analyze.known with the reason.
set -u
cd "$(dirname "$0")/.." || exit 1
for t in gcc clang; do
    command -v $t > /dev/null || { echo "analyze needs $t" >&2; exit 1; }
done
sources=${ANALYZE:-$(ls gateway/*/*.c drivers/*.c drivers/simulated/*.c config/*.c)}
found=$(mktemp)
trap 'rm -f "$found"' EXIT
# shellcheck disable=SC2086
printf '%s\n' $sources | xargs -P "${JOBS:-$(nproc)}" -I{} sh -c '
    f=$1; shift
    gcc -std=c17 -O1 -fanalyzer -c -o /dev/null "$@" "$f" 2>&1 | grep -E "warning: .*-Wanalyzer|error:"
    clang -std=c17 --analyze --analyzer-output text -Xclang -analyzer-disable-checker -Xclang security.insecureAPI.strcpy \
        -o /dev/null "$@" "$f" 2>&1 | grep -E "warning:|error:"' sh {} "$@" > "$found"
rest=$(sed 's/:[0-9]*:[0-9]*:/:/' "$found" | sort -u | grep -vxF "$(sed -n 's/^= //p' deploy/analyze.known 2> /dev/null)")
[ -z "$rest" ] && exit 0
grep -F "$(printf '%s\n' "$rest" | sed 's/^[^:]*: //')" "$found"
exit 1
