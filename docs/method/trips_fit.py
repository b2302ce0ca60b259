#!/usr/bin/python3
"""The weights of gateway/analysis/evidence_judge.c, the rates of evidence.c, and how honest the
probabilities are.

    trips_fit.py PROGRAM SET...      PROGRAM: build/tests/bench/trip_evidence
                                     SET: a directory of houses, each with site.cfg, readings.csv
                                     and truth.json (openings, strip_offs, circuits, t_base)

Replays every house and takes what is known of each fall: at the fall, a minute and a quarter of an hour
later (weights `open`), and when current flows again (weights `back`). The model is

    log odds = sum of weight x piece + log(a cold + b_l large fault + b_s small fault + c heat)

with the rates of evidence.c; fitted are the weights and a, b_l, b_s, c, by penalised maximum
likelihood towards what a piece should count (1; 0 for the pieces that are mere marks). It prints the
weights; the factors by which the rates should change (near 1: leave them alone); the same from all
sets but one, to be held against another set of houses and appliances; and the reliability of the
probabilities as the program says them now. Falls that several circuits share are not fitted: they
are judged together (together.c). Needs python3-numpy."""
import collections
import json
import math
import os
import subprocess
import sys

import numpy as np

PRIOR = {"no_such_step": 0, "just_switched_on": 0, "rest_went_too": 0, "carried_before": 0, "back_with_less": 0,
         "silence": .5, "came_back_after": .33}
RATES = ["openings_are_rare", "switch_on_before", "breaker_heat"]
FIXED = ["current_surge", "after_reset"]
DERIVED = ["reset_at_once"]  # from the others and their weights; nobody in the made houses resets so soon
FACTORS = ["cold", "fault, large load", "fault, small load", "heat"]
TYPICAL = 1 / 600.0  # EVIDENCE_TYPICAL_END
RESET_LEAST = 240  # seconds: nobody in the made houses resets a breaker sooner, in real ones somebody may
STIFF_WEIGHTS, STIFF_FACTORS = 1.0, 30.0


def houses(directory):
    return sorted(os.path.join(directory, x) for x in os.listdir(directory)
                  if os.path.exists(os.path.join(directory, x, "truth.json")))


def labels(truth, cases):
    """1: an opening, 0: none; nothing where nobody could know"""
    nearest, out = {}, {}
    for circuit, opened in cases:
        for k, o in enumerate(truth["openings"]):
            apart = abs(o["opened_at"] - (opened - truth["t_base"]))
            if o["circuit"] == circuit and apart <= 5 and (k not in nearest or apart < nearest[k][0]):
                nearest[k] = (apart, (circuit, opened))
    mine = {case for _, case in nearest.values()}
    for circuit, opened in cases:
        t = opened - truth["t_base"]
        if (circuit, opened) in mine:
            out[circuit, opened] = 1.0
        elif not any(o["circuit"] == circuit and o["opened_at"] - 6 <= t <= o["restored_at"] + 30
                     for o in truth["openings"]) and \
                not any(s["circuit"] == circuit and abs(s["at"] - t) <= 5 and s["times"] <= 3
                        for s in truth["strip_offs"]):
            out[circuit, opened] = 0.0
    return out


def moments(judged):
    """(set of weights, judgement) of one fall"""
    yield "open", judged[0]
    for least, most in ((50, 61), (800, 1000)):
        found = [r for r in judged if least < r["silent"] <= most and r["moment"] != "back"]
        if found:
            yield "open", found[-1]
    if judged[-1]["moment"] == "back" and judged[-1]["silent"] >= RESET_LEAST:
        yield "back", judged[-1]


def read(program, directory):
    """{weights: [(judgement, label)]}"""
    out = {"open": [], "back": []}
    for house in houses(directory):
        truth = json.load(open(os.path.join(house, "truth.json")))
        known = {c["id"] for c in truth["circuits"]}
        cases = collections.OrderedDict()
        run = subprocess.Popen([program, house], stdout=subprocess.PIPE, text=True)
        for line in run.stdout:
            if '"moment":"carried"' not in line:
                r = json.loads(line)
                if r["circuit"] in known:
                    cases.setdefault((r["circuit"], r["opened"]), []).append(r)
        if run.wait():
            sys.exit("%s: %s failed" % (house, program))
        label = labels(truth, cases)
        for case, judged in cases.items():
            e = judged[-1]["evidence"]
            if case in label and e.get("went_together", 0) <= .5 and e.get("feeder_carries_on", 0) >= -1:
                for weights, r in moments(judged):
                    out[weights].append((r, label[case]))
    return out


class Data:
    def __init__(self, rows):
        self.names = [k for k in rows[0][0]["ratios"] if k not in RATES + FIXED + DERIVED]
        r = [x["ratios"] for x, _ in rows]
        self.x = np.array([[q[k] for k in self.names] for q in r])
        self.fixed = np.array([sum(q[k] for k in FIXED) for q in r])
        cold = np.array([math.exp(q["openings_are_rare"]) for q in r])
        heat = np.expm1([q["breaker_heat"] for q in r]) * cold
        fault = np.expm1([q["switch_on_before"] for q in r]) * (cold + heat)
        large = np.array([x["switch_on_amps"] >= 1 for x, _ in rows])
        self.rates = np.stack([cold, np.where(large, fault, 0), np.where(large, 0, fault), heat], 1)
        self.y = np.array([y for _, y in rows])

    def odds(self, w):
        e = self.rates * np.exp(w[len(self.names):])
        s = e.sum(1)
        return self.x @ w[:len(self.names)] + self.fixed + np.log(s), e / s[:, None]

    def loss(self, w):
        z, _ = self.odds(w)
        return float((np.logaddexp(0, z) - self.y * z).sum())


def fit(d):
    prior = np.array([PRIOR.get(k, 1.0) for k in d.names] + [0.0] * 4)
    spread = d.x.std(0)
    stiff = np.append(STIFF_WEIGHTS * np.minimum(spread, 5) ** 2 + 1e-6, [STIFF_FACTORS] * 4)
    free = np.append((spread > 1e-5) | (d.x.min(0) > 0), d.rates.max(0) > 0)
    w = prior.copy()
    whole = lambda v: d.loss(v) + .5 * float((stiff * (v - prior) ** 2).sum())
    now = whole(w)
    for _ in range(80):
        z, share = d.odds(w)
        p = 1 / (1 + np.exp(-np.clip(z, -30, 30)))
        a = np.hstack([d.x, share]) * free
        step = np.linalg.solve((a * (p * (1 - p) + 1e-9)[:, None]).T @ a + np.diag(stiff),
                               (a.T @ (p - d.y) + stiff * (w - prior)) * free)
        size = 1.0
        while size > 1e-6 and whole(w - size * step) > now:
            size /= 2
        w = w - size * step
        before, now = now, whole(w)
        if before - now < 1e-6:
            break
    return w


def reliability(rows):
    p, y = np.array([r["p"] for r, _ in rows]), np.array([y for _, y in rows])
    print("\n| said | falls | openings | mean said | share |\n|---|---|---|---|---|")
    for b in range(10):
        m = (p >= b / 10) & ((p < (b + 1) / 10) | (b == 9))
        if m.any():
            print("| %.1f-%.1f | %d | %d | %.3f | %.3f |" % (b / 10, b / 10 + .1, m.sum(), y[m].sum(), p[m].mean(), y[m].mean()))


def main(program, sets):
    read_sets = {s: read(program, s) for s in sets}
    short = {s: os.path.basename(s.rstrip("/")) for s in sets}
    for weights in ("open", "back"):
        data = {s: Data(read_sets[s][weights]) for s in sets}
        print("\n## %s: %s" % (weights, ", ".join("%s %d judgements (%d of openings)" % (short[s], len(d.y), d.y.sum())
                                                   for s, d in data.items())))
        whole = fit(Data(sum((read_sets[s][weights] for s in sets), [])))
        held = {s: fit(Data(sum((read_sets[t][weights] for t in sets if t != s), []))) for s in sets if len(sets) > 1}
        print("\n| piece | weight | without %s |\n|---|---|---|" % ", ".join(short[s] for s in held))
        for k, name in enumerate(next(iter(data.values())).names + FACTORS):
            show = (lambda v: math.exp(v)) if name in FACTORS else (lambda v: v)
            print("| %s | %.2f | %s |" % (name, show(whole[k]), ", ".join("%.2f" % show(h[k]) for h in held.values())))
        for s in held:
            p = 1 / (1 + np.exp(-data[s].odds(held[s])[0]))
            y, said = data[s].y, p >= .5
            print("%s, judged by weights fitted without it: log loss %.1f, at 0.5 %d of %d openings, %d of %d others, Brier of those %.3f"
                  % (short[s], data[s].loss(held[s]), (said & (y == 1)).sum(), y.sum(), (said & (y == 0)).sum(), (y == 0).sum(),
                     ((p - y)[said] ** 2).mean()))
        reliability(sum((read_sets[s][weights] for s in sets), []))


if __name__ == "__main__":
    if len(sys.argv) < 3:
        sys.exit(__doc__)
    main(sys.argv[1], sys.argv[2:])
