#!/bin/sh
# Debian's pymodbus as eleven meters on one serial line (a socat pair of pseudo-terminals).
set -u
. "$(dirname "$0")/pymodbus.inc"
command -v socat > /dev/null || { echo "socat is not installed"; exit 77; }
mkdir -p "$work/config"
socat "pty,raw,echo=0,link=$work/config/line" "pty,raw,echo=0,link=$work/meters" &
pids="$pids $!"
wait_for_file "$work/config/line"
wait_for_file "$work/meters"
serve rtu "$work/meters"
compare_all
echo "pymodbus over RTU: all meters read"
