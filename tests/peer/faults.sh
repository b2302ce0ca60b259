#!/bin/sh
# The gateway under every fault that docs/reliability.md names: what was promised, what is seen, and whether the page
# says so. faults.sh BUILD
set -u
for t in mosquitto mosquitto_sub openssl prlimit; do
    PATH=$PATH:/usr/sbin command -v $t > /dev/null || { echo "$t is not installed"; exit 77; }
done
exec /usr/bin/python3 tests/faults/faults.py "$1"
