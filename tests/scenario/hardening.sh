#!/bin/sh
# What the compiler and the linker were asked to harden is there in the programs. hardening.sh BUILD
set -u
b=$1
cd "$(dirname "$0")/../.." || exit 1
command -v readelf > /dev/null || { echo "readelf is not installed"; exit 77; }
case $b in *address* | *thread* | *coverage* | *fuzz*) echo "a build for tests, not what is installed"; exit 77 ;; esac
rc=0
wrong() { echo "$1: $2"; rc=1; }

for p in "$b"/foretripd "$b"/foretrip "$b"/foretrip-house "$b"/foretrip-fleet; do
    head=$(readelf -hlW "$p") dynamic=$(readelf -dW "$p") symbols=$(readelf -W --dyn-syms "$p")
    echo "$head" | grep -q 'Type: *DYN .*Position-Independent' || wrong "$p" "not position-independent (PIE)"
    echo "$head" | grep -q 'GNU_RELRO' || wrong "$p" "no read-only relocations (RELRO)"
    echo "$dynamic" | grep -q 'BIND_NOW' || wrong "$p" "not bound at the start (BIND_NOW): RELRO is partial"
    echo "$head" | grep 'GNU_STACK' | grep -q 'RW ' || wrong "$p" "the stack can be executed"
    echo "$head" | grep 'LOAD' | grep -q 'RWE' && wrong "$p" "a segment can be written and executed"
    echo "$symbols" | grep -q '__stack_chk_fail' || wrong "$p" "no stack protector"
    echo "$symbols" | grep -q '__\(snprintf\|memcpy\|vsnprintf\|sprintf\)_chk' || wrong "$p" "no fortified calls"
    echo "$dynamic" | grep -q 'TEXTREL' && wrong "$p" "relocations in the text"
    echo "$dynamic" | grep -Eq 'RPATH|RUNPATH' && wrong "$p" "libraries are looked for in a folder of the build"
done

# Jumps and returns (CET): the mark is in every object of ours. In the whole program it is only when the C library's
# own start files have it, which Debian's have not.
if [ "$(uname -m)" = x86_64 ] && ${CC:-gcc} -fcf-protection -x c -c /dev/null -o /dev/null 2> /dev/null; then
    bare=$(find "$b/gateway" "$b/drivers" "$b/config" -name '*.o' | while read -r o; do
        readelf -n "$o" 2> /dev/null | grep -q 'IBT, SHSTK' || echo "$o"
    done)
    [ -z "$bare" ] || wrong "without protected jumps" "$(echo "$bare" | head -n 3 | tr '\n' ' ')"
fi
exit $rc
