#!/usr/bin/python3
"""How far a day of one appliance tells which appliance it is, whatever the method.

    appliances_ceiling.py --traces DIR [--known]

Figures of whole days (levels, how long and how often it is on, pauses, pulses, ripple, rise and fade,
night) go to extremely randomised trees and to the nearest neighbour; every device is held back in turn
(several meters of one appliance count as one). A class of one device has nothing to be learned from
and counts as wrong in the mean over all classes. What counts as right is what appliances_fit.py counts.
--known: what the same trees
reach when single days are held back and the device is known, and when only so many devices teach.
Needs python3-numpy and python3-sklearn. The traces are not part of foretrip.
"""
import argparse, collections, csv, os, sys, warnings
import numpy as np
from sklearn.ensemble import ExtraTreesClassifier
from sklearn.neighbors import KNeighborsClassifier
from sklearn.pipeline import make_pipeline
from sklearn.preprocessing import StandardScaler
sys.path.insert(0, os.path.dirname(os.path.abspath(__file__)))
from appliances_reference import ALSO, CLASSES, SAME
from traces import DAY, load_trace



def spells(w, floor, gap, least):
    """where w is above the floor; breaks of up to gap seconds are passed over"""
    d = np.diff(np.concatenate(([0], (w > floor).astype(int), [0])))
    out = []
    for a, b in zip(np.flatnonzero(d == 1), np.flatnonzero(d == -1)):
        if out and a - out[-1][1] <= gap:
            out[-1] = (out[-1][0], b)
        else:
            out.append((a, b))
    return [(a, b) for a, b in out if b - a >= least]


def log(x):
    return np.log(max(float(x), 1e-3))


def of_spells(z, s):
    """how many, how long, how regular, how large, how they begin"""
    length = np.array([b - a for a, b in s]) if s else np.array([1])
    pause = np.array([s[i + 1][0] - s[i][1] for i in range(len(s) - 1)]) if len(s) > 1 else np.array([DAY])
    level = np.array([np.median(z[a:b]) for a, b in s]) if s else np.array([1.0])
    peak = np.array([z[a:a + 8].max() for a, b in s]) if s else np.array([1.0])
    return [log(len(s) + .3), log(np.median(length)), log(length.max()), log(length.std() / length.mean() + .05),
            log(np.median(pause)), log(pause.std() / pause.mean() + .05), log(np.average(level, weights=length)),
            log(np.median(peak / np.maximum(level, 1))), log(level.max() / max(np.median(level), 1))]


def figures(w):
    v, z = w[~np.isnan(w)], np.nan_to_num(w)
    most, low = v.max(), np.percentile(v, 5)
    floor = max(low + 8, low * 1.3)
    on, large = z > floor, spells(z, max(most / 2, 20), 3, 3)
    d = np.abs(np.diff(z))[on[1:] & on[:-1]] if on.sum() > 10 else np.zeros(1)
    top = z[z > 0.8 * most]
    rise = [z[a + 2:a + 5].mean() / max(np.median(z[a:b]), 1) for a, b in large if b - a >= 8]
    fade = [z[b - 5:b - 1].mean() / max(z[a + 2:a + 6].mean(), 1) for a, b in large if b - a >= 12]
    before = [z[max(0, a - 8):max(1, a - 1)].mean() / max(most, 1) for a, _ in large]
    return ([log(most), log(low + 1), log(np.median(v) + 1)] + [log(np.percentile(v, q) + 1) for q in (1, 10, 25, 50, 75, 90, 95, 99, 99.9)]
            + [log(v.sum() / 3600 + 1), on.mean(), z[:21600].sum() / max(z.sum(), 1), log(len(v))]
            + of_spells(z, spells(z, floor, 5, 10)) + of_spells(z, large)
            + [log((z > x).sum() + 1) for x in (most / 2, 1500, 500, 100, 20)]
            + [log(d.mean() + .1), log(np.median(d) + .1), log((d > 5).mean() + .001), log((d > 0.1 * most).mean() + 1e-4)]
            + [log(top.std() / top.mean() + .002) if len(top) and top.mean() > 0 else 0,
               np.median(rise) if rise else 1, np.median(fade) if fade else 1, np.median(before) if before else 0])


def held_back(make, X, key, device):
    """class -> what its days are taken for, each device judged by what the others taught"""
    table = collections.defaultdict(collections.Counter)
    for d in sorted(set(device)):
        test = device == d
        k = key[test][0]
        if not (key[~test] == k).any():
            table[k]["(nothing to learn from)"] += int(test.sum())
            continue
        for said in make().fit(X[~test], key[~test]).predict(X[test]):
            table[k][said] += 1
    return table


def share(k, counts):
    return sum(n for s, n in counts.items() if s == k or s in ALSO.get(k, ())) / sum(counts.values())


def right(k, said):
    return said == k or said in ALSO.get(k, ())


def known(X, key, device):
    """days held back, a fifth at a time; then 1, 2, 3, 5 devices of each class, six draws each"""
    make = lambda: ExtraTreesClassifier(200, class_weight="balanced", random_state=1)
    owned, hits, fold = collections.defaultdict(list), collections.defaultdict(list), np.zeros(len(key), int)
    rng = np.random.default_rng(1)
    for d in sorted(set(device)):
        owned[d.split(":")[0]].append(d)
        fold[device == d] = rng.permutation((device == d).sum()) % 5
    for f in range(5):
        test = fold == f
        for k, said in zip(key[test], make().fit(X[~test], key[~test]).predict(X[test])):
            hits[k].append(right(k, said))
    print("device known: mean of the %d classes %.1f %%, of those with two devices or more %.1f %%" % (
        len(hits), 100 * np.mean([np.mean(v) for v in hits.values()]),
        100 * np.mean([np.mean(v) for k, v in hits.items() if len(owned[k]) > 1])))
    for n in (1, 2, 3, 5):
        shares = collections.defaultdict(list)
        for draw in range(6):
            g = np.random.default_rng(100 * n + draw)
            for k in [k for k in owned if len(owned[k]) >= 4]:
                held, teach = g.choice(owned[k]), []
                for c in owned:
                    pool = [d for d in owned[c] if d != held]
                    teach += list(g.choice(pool, min(n, len(pool)), replace=False)) if pool else []
                t = np.isin(device, teach)
                shares[k].append(np.mean([right(k, said) for said in make().fit(X[t], key[t]).predict(X[device == held])]))
        print("%d devices of each class: mean of %d classes %.1f %%; %s" % (
            n, len(shares), 100 * np.mean([np.mean(v) for v in shares.values()]),
            ", ".join("%s %.0f" % (k, 100 * np.mean(v)) for k, v in sorted(shares.items()))), flush=True)


def main():
    p = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    p.add_argument("--traces", required=True)
    p.add_argument("--known", action="store_true")
    a = p.parse_args()
    warnings.filterwarnings("ignore")
    X, key, device = [], [], []
    with open(os.path.join(a.traces, "index.csv")) as f:
        for r in csv.DictReader(f):
            if r["class"] in CLASSES:
                X.append(figures(load_trace(os.path.join(a.traces, r["file"]))))
                key.append(CLASSES[r["class"]])
                device.append(CLASSES[r["class"]] + ":" + SAME.get((r["class"], r["device"]), r["device"]))
    X, key, device = np.nan_to_num(np.array(X, float)), np.array(key), np.array(device)
    if a.known:
        return known(X, key, device)
    makers = {"trees": lambda: ExtraTreesClassifier(500, class_weight="balanced", random_state=1),
              "nearest neighbour": lambda: make_pipeline(StandardScaler(), KNeighborsClassifier(1))}
    for name, make in makers.items():
        table = held_back(make, X, key, device)
        shares = {k: share(k, c) for k, c in table.items()}
        several = [s for k, s in shares.items() if "(nothing to learn from)" not in table[k]]
        print("%s: mean of the %d classes %.1f %%, of the %d with two devices or more %.1f %%"
              % (name, len(shares), 100 * np.mean(list(shares.values())), len(several), 100 * np.mean(several)))
        if name == "trees":
            for k in sorted(table):
                print("| %s | %d | %.0f %% | %s |" % (k, sum(table[k].values()), 100 * shares[k],
                                                     ", ".join("%s %d" % x for x in table[k].most_common(4))))


main()
