#!/usr/bin/python3
"""Is the chance true? Of the minutes in which it said 20..30 % within five minutes, how many ended in an opening by heat.

    reliability.py --program build/tests/bench/chance_minutes HOUSES...

HOUSES are directories of houses with site.cfg, readings.csv and truth.json (openings: circuit, opened_at in seconds, cause).
A minute counts when the supply of its circuit did not go otherwise within the five minutes. Prints two tables: at the
present current held, and all told (loads ending and joining as usual). Minutes of one episode are not independent, so the
number of episodes (minutes of one circuit less than half an hour apart) stands beside them."""
import argparse
import collections
import json
import os
import subprocess

BY_HEAT = ("overload", "worn_breaker")
SECONDS = 300


def minutes(program, house):
    out = subprocess.run([program, house], capture_output=True, text=True, check=True).stdout
    for line in out.splitlines():
        circuit, at, stay, told = line.split()
        yield circuit, int(at), float(stay), float(told)


def main():
    p = argparse.ArgumentParser()
    p.add_argument("--program", required=True)
    p.add_argument("houses", nargs="+")
    a = p.parse_args()
    homes = [os.path.join(d, h) for d in a.houses for h in sorted(os.listdir(d)) if h.startswith("house-")]
    tables = [collections.defaultdict(lambda: [0, 0, 0.0, 0]) for _ in range(2)]
    for home in homes:
        truth = json.load(open(os.path.join(home, "truth.json")))
        opened = collections.defaultdict(list)
        for o in truth["openings"]:
            opened[o["circuit"]].append((truth["t_base"] + o["opened_at"], o["cause"] in BY_HEAT))
        last = {}
        for circuit, at, stay, told in minutes(a.program, home):
            within = [heat for t, heat in opened[circuit] if at < t <= at + SECONDS]
            if within and not within[0]:
                continue
            for k, chance in enumerate((stay, told)):
                b = min(9, int(10 * chance))
                row = tables[k][b]
                row[0] += 1
                row[1] += bool(within)
                row[2] += chance
                row[3] += at - last.get((k, b, circuit), 0) > 1800
                last[k, b, circuit] = at
    for name, table in zip(("the present current held", "all told"), tables):
        print("\n%s\n\n| said | minutes | episodes | said, mean | opened |\n|---|---|---|---|---|" % name)
        for b in sorted(table):
            n, y, s, e = table[b]
            print("| %d..%d %% | %d | %d | %.2f | %.2f |" % (10 * b, 10 * b + 10, n, e, s / n, y / n))


main()
