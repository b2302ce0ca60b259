#!/usr/bin/python3
"""How far can a warning come that looks at the present current alone? An oracle that knows the true k of every breaker
warns with the very reading in which the current passes what that breaker carries for ever (k times its rating), and is
over when it has been below for twenty minutes or the breaker has opened.

    warning_bound.py HOUSES...

HOUSES are directories of houses with readings.csv and truth.json (circuits: id, rating, k; openings: circuit, cause, visible,
opened_at in seconds; hot_minutes of each circuit, days). Prints, for each directory and together: overload trips, how many
of them were warned of 30 s before, and the warnings' nuisance share (never half way within two hours) and number a circuit-day.
What opens sooner can only be warned of before its current comes (breaker.md)."""
import json
import os
import sys

NOTICE, OFF, LONGEST, LATER = 30, 1200, 7200, 120


def warnings(house, truth):
    """of each circuit the seconds at which a warning begins, and its last"""
    base = truth["t_base"]
    limit = [c["k"] * c["rating"] for c in truth["circuits"]]
    opened = [[o["opened_at"] for o in truth["openings"] if o["circuit"] == c["id"]] for c in truth["circuits"]]
    spans = [[] for _ in limit]
    with open(os.path.join(house, "readings.csv")) as f:
        column = {name: i for i, name in enumerate(f.readline().strip().split(","))}
        columns = [column[c["id"] + ".amps"] for c in truth["circuits"]]
        for line in f:
            row = line.split(",")
            for i, k in enumerate(columns):
                if not row[k] or float(row[k]) < limit[i]:
                    continue
                now = int(row[0]) - base
                last = spans[i][-1] if spans[i] else None
                if last and now - last[1] <= OFF and not any(last[1] < o <= now for o in opened[i]):
                    last[1] = now
                else:
                    spans[i].append([now, now])
    return spans


def judge(house):
    truth = json.load(open(os.path.join(house, "truth.json")))
    trips = warned = count = nuisance = 0
    for c, spans in zip(truth["circuits"], warnings(house, truth)):
        hot = truth["hot_minutes"][c["id"]]
        count += len(spans)
        nuisance += sum(not any(a // 60 - 5 <= m <= a // 60 + LATER for m in hot) for a, _ in spans)
        for o in truth["openings"]:
            if o["circuit"] == c["id"] and o["cause"] == "overload" and o["visible"]:
                at = o["opened_at"]
                trips += 1
                warned += any(at - LONGEST <= a <= at - NOTICE and b + OFF >= at for a, b in spans)
    return [trips, warned, count, nuisance, truth["days"] * len(truth["circuits"])]


def main():
    total = [0] * 5
    for houses in sys.argv[1:]:
        found = [judge(os.path.join(houses, h)) for h in sorted(os.listdir(houses)) if h.startswith("house-")]
        found = [sum(x) for x in zip(*found)]
        total = [a + b for a, b in zip(total, found)]
        say(houses, found)
    say("together", total)


def say(name, found):
    trips, warned, count, nuisance, days = found
    print("%s: %d overload trips, %d warned of %d s before (%.3f), nuisance %.2f, %.2f a circuit-day"
          % (name, trips, warned, NOTICE, warned / max(1, trips), nuisance / max(1, count), count / max(1, days)), flush=True)


if len(sys.argv) < 2:
    sys.exit(__doc__)
main()
