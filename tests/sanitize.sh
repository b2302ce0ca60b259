#!/bin/sh
# Runs tests with a build under a sanitizer: sanitize.sh BUILD [unit] [scenario] [peer] [browser]. What a sanitizer finds in any
# program of a test, also in one whose end the test does not look at, is written down, shown, and a failure: BUILD/found.
# Slower programs get more time. What is known to be others' stands in tests/sanitize.known.
set -u
cd "$(dirname "$0")/.." || exit 1
b=$1
shift
found=$PWD/$b/found
rm -rf "$found"
mkdir -p "$found"
chmod 1777 "$found" # some programs of the tests run as another user
export ASAN_OPTIONS="log_path=$found/report:detect_stack_use_after_return=1${ASAN_OPTIONS:+:$ASAN_OPTIONS}"
export LSAN_OPTIONS="suppressions=$PWD/tests/sanitize.known:print_suppressions=0"
export UBSAN_OPTIONS="log_path=$found/report:print_stacktrace=1:halt_on_error=1"
export TSAN_OPTIONS="log_path=$found/report:halt_on_error=1:second_deadlock_stack=1"
export TEST_SECONDS="${TEST_SECONDS:-1800}" TEST_JOBS="${TEST_JOBS:-2}"
sh tests/run.sh "$b" "$@"
rc=$?
reports=$(ls "$found")
[ -z "$reports" ] && echo "the sanitizers found nothing" && exit $rc
for r in $reports; do
    echo "--- $r"
    head -n 40 "$found/$r"
done
echo "the sanitizers found something $(echo "$reports" | wc -l) times: $b/found"
exit 1
