"""Compares what was read of one meter with what it holds: pymodbus_compare.py METER EXPECTED READ"""
import sys

meter, expected, read = sys.argv[1:4]
want, have = {}, {}
with open(expected, encoding="ascii") as f:
    for line in f:
        of, column, value = line.split()
        if of == meter:
            want[column] = float(value)
with open(read, encoding="ascii") as f:
    for line in f:
        column, value = line.split()
        have[column] = float(value)
bad = [f"{c}: read {have.get(c)}, the meter holds {want.get(c)}"
       for c in sorted(want.keys() | have.keys())
       if c not in want or c not in have or abs(want[c] - have[c]) > 1e-6 * max(1.0, abs(want[c]))]
print("\n".join(bad) if bad else f"meter {meter}: {len(want)} values as they should be")
sys.exit(bool(bad) or not want)
