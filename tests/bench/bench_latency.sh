#!/bin/sh
# From the fall of the current in the meter's register to the alarm at an independent subscriber, at 200 ms and at 1 s
# between polls; some minutes. bench_latency.sh BUILD
python3 tests/bench/latency.py "$1" 200 "${BENCH_TRIPS:-105}"
python3 tests/bench/latency.py "$1" 1000 "${BENCH_TRIPS:-105}"
