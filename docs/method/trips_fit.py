#!/usr/bin/python3
"""The weights of gateway/analysis/evidence.c, and how honest the probabilities are.

    trips_fit.py PROGRAM SET...      PROGRAM: build/tests/bench/trip_evidence
                                     SET: a directory of houses, each with site.cfg, readings.csv
                                     and truth.json (openings, strip_offs, t_base)

Replays every house, takes what is known a minute after each fall and again at the end, and fits a factor
for every piece of evidence by logistic regression with a prior about 1 (the factor that the pieces as
they stand should have). Every set is judged once by factors that were fitted without it. Prints the
table for docs/method/trips.md. Factors near 1 mean: leave the weights alone. Needs python3-numpy."""
import collections
import json
import os
import subprocess
import sys

import numpy as np

PIECES = ["loads_vanished", "usual_falls", "breaker_heat", "switch_on_before", "on_the_clock", "off_at_night",
          "fell_in_stages", "current_left", "after"]
STIFFNESS = 0.3  # of the prior about 1


def houses(directory):
    return sorted(os.path.join(directory, x) for x in os.listdir(directory)
                  if os.path.exists(os.path.join(directory, x, "truth.json")))


def label(truth, circuit, t):
    """1: an opening, 0: none, None: nobody could know"""
    for o in truth["openings"]:
        if o["circuit"] != circuit:
            continue
        if abs(o["opened_at"] - t) <= 5:
            return 1.0 if o["visible"] else None
        if o["opened_at"] - 5 <= t <= o["restored_at"] + 30:
            return None
    for s in truth["strip_offs"]:
        if s["circuit"] == circuit and abs(s["at"] - t) <= 5 and s["times"] <= 3:
            return None  # the habit could not be known yet
    return 0.0


def falls(program, directory):
    """(evidence after a minute, evidence at the end, label) of every fall that stands for itself"""
    for house in houses(directory):
        truth = json.load(open(os.path.join(house, "truth.json")))
        known = {c["id"] for c in truth["circuits"]}
        cases = collections.OrderedDict()
        run = subprocess.run([program, house], capture_output=True, text=True, check=True)
        for line in run.stdout.splitlines():
            r = json.loads(line)
            if r["moment"] != "carried" and r["circuit"] in known:
                cases.setdefault((r["circuit"], r["opened"]), []).append(r)
        for (circuit, opened), judged in cases.items():
            y = label(truth, circuit, opened - truth["t_base"])
            minute = [r for r in judged if r["silent"] <= 61][-1:] or judged[:1]
            last = judged[-1]
            if y is not None and last["evidence"].get("went_together", 0) <= 0.5:
                yield minute[0], last, y


def row(judgement):
    e = dict(judgement["evidence"])
    e["after"] = e.get("silence", 0.0) + e.get("came_back_after", 0.0)
    used = [e.get(p, 0.0) for p in PIECES]
    known = set(PIECES) | {"silence", "came_back_after"}
    rest = sum(v for k, v in e.items() if k not in known)  # taken as it stands
    return used + [rest]


def fit(rows, labels):
    a = np.array(rows)
    pieces, rest = np.hstack([a[:, :-1], np.ones((len(a), 1))]), a[:, -1]
    prior = np.append(np.ones(len(PIECES)), 0.0)
    stiff = np.append(np.full(len(PIECES), STIFFNESS), 0.01)
    w = prior.copy()
    for _ in range(60):
        p = probability(pieces @ w + rest)
        g = pieces.T @ (p - labels) + stiff * (w - prior)
        h = (pieces * (p * (1 - p) + 1e-9)[:, None]).T @ pieces + np.diag(stiff)
        w = w - np.clip(np.linalg.solve(h, g), -1, 1)
    return w


def probability(z):
    return 1 / (1 + np.exp(-np.clip(z, -30, 30)))


def odds(rows, w):
    a = np.array(rows)
    return np.hstack([a[:, :-1], np.ones((len(a), 1))]) @ w + a[:, -1]


def loss(z, y):
    z = np.clip(z, -30, 30)
    return float(np.sum(np.log1p(np.exp(-z)) * y + np.log1p(np.exp(z)) * (1 - y)))


def main(program, sets):
    data = {s: list(falls(program, s)) for s in sets}
    ones = np.append(np.ones(len(PIECES)), 0.0)
    print("falls: " + ", ".join("%s %d (%d openings)" % (os.path.basename(s.rstrip("/")), len(d),
                                                         sum(y for _, _, y in d)) for s, d in data.items()))
    for moment, which in (("after a minute", 0), ("at the end", 1)):
        rows = {s: [row(f[which]) for f in d] for s, d in data.items()}
        labels = {s: np.array([f[2] for f in d]) for s, d in data.items()}
        whole = fit(sum(rows.values(), []), np.concatenate(list(labels.values())))
        print("\n%s\n| piece | factor | without each set |\n|---|---|---|" % moment)
        held = [fit(sum((rows[t] for t in sets if t != s), []),
                    np.concatenate([labels[t] for t in sets if t != s])) for s in sets if len(sets) > 1]
        for k, name in enumerate(PIECES + ["(offset)"]):
            print("| %s | %.2f | %s |" % (name, whole[k], ", ".join("%.2f" % h[k] for h in held)))
        for s, h in zip(sets, held):
            print("%s: log loss as it stands %.1f, with factors fitted without it %.1f"
                  % (os.path.basename(s.rstrip("/")), loss(odds(rows[s], ones), labels[s]), loss(odds(rows[s], h), labels[s])))
        p = np.concatenate([probability(odds(rows[s], ones)) for s in sets])
        y = np.concatenate([labels[s] for s in sets])
        print("\n| said | falls | openings | mean said | share |\n|---|---|---|---|---|")
        for b in range(10):
            m = (p >= b / 10) & ((p < (b + 1) / 10) | (b == 9))
            if m.any():
                print("| %.1f-%.1f | %d | %d | %.3f | %.3f |" % (b / 10, b / 10 + .1, m.sum(), y[m].sum(), p[m].mean(), y[m].mean()))


if __name__ == "__main__":
    if len(sys.argv) < 3:
        sys.exit(__doc__)
    main(sys.argv[1], sys.argv[2:])
