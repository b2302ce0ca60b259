#!/bin/sh
# clang-tidy and cppcheck over the sources: lint.sh CPPFLAGS...
set -u
cd "$(dirname "$0")/.." || exit 1
for t in clang-tidy cppcheck; do
    command -v $t >/dev/null || { echo "lint needs $t: apt-get install clang-tidy cppcheck" >&2; exit 1; }
done
rc=0
sources=$(ls gateway/*/*.c drivers/*.c drivers/simulated/*.c config/*.c)
# a file on every core: the whole takes some minutes
# shellcheck disable=SC2086
printf '%s\n' $sources | xargs -P "$(nproc)" -I{} clang-tidy --quiet {} -- -std=c17 "$@" 2>/dev/null || rc=1
# shellcheck disable=SC2086
cppcheck --quiet --std=c11 --error-exitcode=1 --inline-suppr --enable=warning,performance,portability \
    --suppress=missingIncludeSystem --suppress=missingInclude -I. -Igateway gateway drivers config || rc=1
exit $rc
