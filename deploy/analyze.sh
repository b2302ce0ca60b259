#!/bin/sh
# gcc's -fanalyzer and clang's analyzer over the sources: analyze.sh CPPFLAGS... . ANALYZE="FILE..." for some of them.
# What is found is a fault; what is known not to be one stands in deploy/analyze.known with the reason, by file, function and
# words, so that the same in another function is new. What stands there and is not found any more is said too.
set -u
cd "$(dirname "$0")/.." || exit 1
for t in gcc clang; do
    command -v $t > /dev/null || { echo "analyze needs $t" >&2; exit 1; }
done
sources=${ANALYZE:-$(ls gateway/*/*.c drivers/*.c drivers/simulated/*.c config/*.c)}
dir=$(mktemp -d)
trap 'rm -rf "$dir"' EXIT
mkdir "$dir/of"
export LC_ALL=C # the words are compared
# each finding as "FILE: FUNCTION: WORDS", and where it is
cat > "$dir/words.awk" << 'EOT'
/In function '/ { f = $0; sub(/.*In function '/, "", f); sub(/'.*/, "", f) }
/warning: .*\[-Wanalyzer|warning: .*\[[a-z]+\.[A-Za-z.]+\]$|error:/ {
    where = $1
    words = $0
    sub(/^[^ ]*: (fatal )?(warning|error): /, "", words)
    print file ": " (f ? f : "?") ": " words "\t" where
}
EOT
# shellcheck disable=SC2086
printf '%s\n' $sources | DIR=$dir xargs -P "${JOBS:-$(nproc)}" -I{} sh -c '
    f=$1 out=$DIR/of/$(echo "$1" | tr / _)
    shift
    { gcc -std=c17 -O1 -fanalyzer -c -o /dev/null "$@" "$f"
      clang -std=c17 --analyze --analyzer-output text -Xclang -analyzer-disable-checker -Xclang security.insecureAPI.strcpy \
        -o /dev/null "$@" "$f"; } 2>&1 | awk -v file="$f" -f "$DIR/words.awk" > "$out"' sh {} "$@"
cat "$dir"/of/* | sort -u > "$dir/found"
sed -n 's/^= //p' deploy/analyze.known | sort -u > "$dir/known"
cut -f 1 "$dir/found" | sort -u > "$dir/words"
[ -n "${ANALYZE:-}" ] || comm -13 "$dir/words" "$dir/known" | sed 's/^/no longer found, take it out of deploy\/analyze.known: /'
comm -23 "$dir/words" "$dir/known" > "$dir/new"
[ -s "$dir/new" ] || { echo "analyzed: $(echo "$sources" | wc -w) files, $(wc -l < "$dir/words") known findings, none new"; exit 0; }
grep -F -f "$dir/new" "$dir/found"
exit 1
