#!/usr/bin/python3
"""Houses in which somebody resets at once: early_resets.py FROM TO [--least SECONDS] [--most SECONDS] [--seed N].

FROM holds houses with site.cfg, truth.json and readings.csv; TO gets the same with every breaker that opened alone reset
--least to --most seconds later, where it was reset later than that: from then on the circuit (and the feeder over it)
reads what it read from its reset on, until the time of that reset, and then the same again. Left as they are: openings
with another of the circuit within twice their time. Prints how many were changed."""
import argparse
import json
import pathlib
import random
import re
import shutil
import sys


def feeders(site):
    """circuit -> its feeder, from the panels' fed_by."""
    fed = dict(re.findall(r'id = "([^"]+)";[^{}]*fed_by = "([^"]+)"', site))
    return {c: fed.get(p) for c, p in re.findall(r'id = "([^"]+)"; panel = "([^"]+)"', site)}


def change(house, to, chance, least, most):
    truth = json.loads((house / "truth.json").read_text())
    above = feeders((house / "site.cfg").read_text())
    with open(house / "readings.csv") as f:
        head = f.readline().rstrip("\n").split(",")
        rows = [[sys.intern(x) for x in line.rstrip("\n").split(",")] for line in f]
    begin, changed = int(rows[0][0]) - truth["t_base"], 0
    of = {c: [o for o in truth["openings"] if o["circuit"] == c] for c in above}
    for o in truth["openings"]:
        start, end = o["opened_at"] - begin, o["restored_at"] - begin
        back = start + chance.randint(least, most)
        last = 2 * end - back
        others = [x for x in of[o["circuit"]] if x is not o and o["opened_at"] <= x["opened_at"] <= last + begin]
        if o["with"] or back >= end or last > len(rows) or others:
            continue
        column, feeder = head.index(o["circuit"] + ".amps"), above[o["circuit"]]
        for n in range(back, end):
            was, now = rows[n][column], rows[end + n - back][column]
            rows[n][column] = now
            if feeder and was and now:
                k = head.index(feeder + ".amps")
                rows[n][k] = f"{float(rows[n][k]) + float(now) - float(was):.2f}" if rows[n][k] else ""
        o["restored_at"] = back + begin
        changed += 1
    (to / "truth.json").write_text(json.dumps(truth))
    shutil.copy(house / "site.cfg", to / "site.cfg")
    with open(to / "readings.csv", "w") as f:
        f.write(",".join(head) + "\n")
        f.writelines(",".join(row) + "\n" for row in rows)
    return changed, len(truth["openings"])


def main():
    p = argparse.ArgumentParser()
    p.add_argument("houses", type=pathlib.Path)
    p.add_argument("to", type=pathlib.Path)
    p.add_argument("--least", type=int, default=12)
    p.add_argument("--most", type=int, default=60)
    p.add_argument("--seed", type=int, default=1)
    a = p.parse_args()
    for house in sorted(a.houses.glob("house-*")):
        to = a.to / house.name
        to.mkdir(parents=True)
        changed, of = change(house, to, random.Random(f"{a.seed}{house.name}"), a.least, a.most)
        print(f"{house.name}: {changed} of {of} openings reset early")


if __name__ == "__main__":
    main()
