#!/usr/bin/python3
"""Fits the signatures of config/appliances.cfg and tells how far they carry.

    appliances_fit.py fit    --traces DIR [--build build] [--out config/appliances.cfg] [--without FILE]
    appliances_fit.py days   --traces DIR [--build build] [--out config/appliances.cfg] [--without FILE]
    appliances_fit.py report --traces DIR [--build build]

Every device's days of DIR (format and attribution: its README) are played through the gateway's
own analysis by BUILD/tests/bench/appliance_runs (`make bench-programs`); the features of the runs
it finds are what is fitted. A class is a mixture of Gaussians on the features' scales, every
device counting the same, widened by what a further device of the class may differ; the published
figures of appliances_reference.py are one part in four of it, and all of it for what the traces
do not hold. `days` leaves the appliances of the file as they are and puts the trees anew that judge a circuit's days
(gateway/analysis/portrait.h, appliances_forest.py): grown on the traces' days and on made days of every appliance
(appliances_made.py), and on made days of several. `report` holds back each device in turn, grows the trees from the rest, judges
each day alone on a circuit, and prints the table of docs/method/appliances.md. Needs python3-numpy and python3-sklearn.
The traces are not part of foretrip.
"""
import argparse, collections, csv, os, re, subprocess, sys, textwrap, warnings
import numpy as np
sys.path.insert(0, os.path.dirname(os.path.abspath(__file__)))
from appliances_forest import SEVERAL, Forest, weights
from appliances_made import made_day
from appliances_reference import ALSO, APPLIANCES, CLASSES, KINDS, SAME
from traces import DAY, load_trace

TENTH = 1.2816
REFERENCE_PART = 0.25
LEAST_SECONDS = 15
ROOT = os.path.join(os.path.dirname(os.path.abspath(__file__)), "..", "..")


# ---- what the C code says about features -------------------------------------------------------
def features():
    """name, linear, plus of every feature (gateway/model/signature.c) and weight, centre, width of
    the background (gateway/analysis/appliances.c)"""
    text = open(os.path.join(ROOT, "gateway/model/signature.c")).read()
    names = re.findall(r"\[SIGNATURE_(\w+)\] = \{\"(\w+)\", (\w+), ([\d.]+)F?,", text)
    text = open(os.path.join(ROOT, "gateway/analysis/appliances.c")).read()
    ground = {n: tuple(float(x) for x in v) for n, *v in
              re.findall(r"\[SIGNATURE_(\w+)\] = \{(-?[\d.]+)F?, (-?[\d.]+)F?, (-?[\d.]+)F?\}", text)}
    return [(n, linear == "true", float(plus)) + ground[k] for k, n, linear, plus in names]


F = features()
NAMES = [f[0] for f in F]
W, BG_MU, BG_SD = (np.array([f[i] for f in F]) for i in (3, 4, 5))
def constants():
    """those of the judge of whole days"""
    text = open(os.path.join(ROOT, "gateway/analysis/portrait.c")).read()
    text += open(os.path.join(ROOT, "gateway/analysis/appliances.c")).read()
    return {n: float(v) for n, v in re.findall(r"#define (LEAST|SHARPER|SEVERAL_PRIOR|RAREST|SURE|MEMBER) +([\d.e-]+)F", text)}


PORTRAIT = constants()
MADE, MADE_SEVERAL = 250, 1500   # made days of each appliance, and of several together
MIXES, SEVERAL_TEACH = 160, 60  # days of several devices of the traces together: all, and those that teach
SEVERAL_WEIGHT = 4              # of all days of several, against an appliance's
# the least width of a feature, and how much a further device may differ
FLOOR = dict(watts=.2, seconds=.45, inrush=.2, rise=.12, fade=.08, spread=.5, changes=.6, pulses=.35, ripple=.5,
             usual_seconds=.4, seconds_vary=.4, gap_seconds=.6, gap_vary=.4, night=.1, per_day=.5, lately=.3, power_factor=.05)
WIDER = dict(watts=.14, seconds=.28, inrush=.09, rise=.07, fade=.03, spread=.23, changes=.28, pulses=.11, ripple=.23,
             usual_seconds=.28, seconds_vary=.17, gap_seconds=.28, gap_vary=.17, night=.07, per_day=.28, lately=.17, power_factor=.03)
# how long a pause is and how regular says more of the household than of the appliance; the night, less
STRETCH = np.array([dict(gap_seconds=1.8, gap_vary=1.8, night=.5).get(n, 1) for n in NAMES])
FLOOR, WIDER = (np.array([d[n] for n in NAMES]) for d in (FLOOR, WIDER))


def scale(n, v):
    _, linear, plus = F[n][:3]
    return v if linear else np.log(max(v, 1e-3) + plus)


def unscale(n, v):
    _, linear, plus = F[n][:3]
    return v if linear else max(np.exp(v) - plus, 0)


# ---- the traces --------------------------------------------------------------------------------
def runs_of(traces, build):
    """Device by device: the runs as an array [tape, began, charge, features ...], and for every tape
    (key, device, days)."""
    tapes = collections.OrderedDict()
    with open(os.path.join(traces, "index.csv")) as f:
        for r in csv.DictReader(f):
            if r["class"] in CLASSES:
                device = SAME.get((r["class"], r["device"]), r["device"])
                tapes.setdefault((r["class"], r["device"], device), []).append(r["file"])
    tool = subprocess.Popen([os.path.join(build, "tests/bench/appliance_runs")], stdin=subprocess.PIPE, stdout=subprocess.PIPE)
    import threading
    def feed():
        for i, files in enumerate(tapes.values()):
            w = np.concatenate([load_trace(os.path.join(traces, f)) for f in files])
            tool.stdin.write(np.array([len(w), i], np.int32).tobytes() + w.astype(np.float32).tobytes())
        tool.stdin.close()
    t = threading.Thread(target=feed)
    t.start()
    rows = np.array([[float(x) for x in line.split()] for line in tool.stdout if line[:1] != b"D"])
    t.join()
    if tool.wait():
        sys.exit("appliance_runs failed")
    return rows, [(CLASSES[c], CLASSES[c] + ":" + d, len(f)) for (c, _, d), f in tapes.items()]


def play(tapes, build):
    """the figures of the day taken whole, for each tape of a generator"""
    tool = subprocess.Popen([os.path.join(build, "tests/bench/appliance_runs")], stdin=subprocess.PIPE, stdout=subprocess.PIPE)
    import threading
    def feed():
        for i, w in enumerate(tapes):
            tool.stdin.write(np.array([len(w), i], np.int32).tobytes() + w.astype(np.float32).tobytes())
        tool.stdin.close()
    t = threading.Thread(target=feed)
    t.start()
    days = {int(n): [float(x) for x in figures] for kind, n, *figures in map(bytes.split, tool.stdout) if kind == b"D"}
    t.join()
    if tool.wait():
        sys.exit("appliance_runs failed")
    return np.array([days[i] for i in range(len(days))])


def days_of(traces, build):
    """the figures of every day of the traces on a circuit of its own, of MIXES circuits with two to six of the devices, and
    (key, device) of the single ones"""
    with open(os.path.join(traces, "index.csv")) as f:
        index = [r for r in csv.DictReader(f) if r["class"] in CLASSES]
    meta = [(CLASSES[r["class"]], CLASSES[r["class"]] + ":" + SAME.get((r["class"], r["device"]), r["device"])) for r in index]
    rng, picks = np.random.default_rng(5), []
    for _ in range(MIXES):
        pick, n = [], rng.integers(2, 7)
        while len(pick) < n:
            i = int(rng.integers(len(index)))
            if all(meta[i][1] != meta[j][1] for j in pick):
                pick.append(i)
        picks.append(pick)
    load = lambda i: load_trace(os.path.join(traces, index[i]["file"]))
    days = play((sum(np.nan_to_num(load(i)) for i in p) if len(p) > 1 else load(p[0])
                 for p in [[i] for i in range(len(index))] + picks), build)
    return days[:len(index)], days[len(index):], meta


def made_days(build):
    """the figures of made days (appliances_made.py), of each appliance and of several together, and their keys"""
    keys = [k for k in APPLIANCES for _ in range(MADE)]
    alone = (made_day(k, np.random.default_rng([list(APPLIANCES).index(k), i % MADE])) for i, k in enumerate(keys))
    rng = np.random.default_rng(7)
    several = (sum(made_day(k, rng) for k in rng.choice(list(APPLIANCES), rng.choice([2, 2, 2, 3, 3, 4, 5, 6]), replace=False)) for _ in range(MADE_SEVERAL))
    days = play((w for part in (alone, several) for w in part), build)
    return days, keys + [SEVERAL] * MADE_SEVERAL


class Days:
    """what the judge of whole days knows (gateway/analysis/portrait.c)"""
    def __init__(self, days, meta, mixes, made, made_keys):
        key, device = [k for k, _ in meta], [d for _, d in meta]
        single = made_keys.index(SEVERAL)
        several = len(mixes) + len(made) - single
        self.forest = Forest(np.vstack([days, made, mixes]), key + made_keys + [SEVERAL] * len(mixes),
                             np.append(weights(key, device, made_keys[:single]), np.full(several, SEVERAL_WEIGHT / several)),
                             list(APPLIANCES) + [SEVERAL])
        self.prior = np.array([np.sqrt(min(max(APPLIANCES[k][2], PORTRAIT["RAREST"]), 1)) for k in APPLIANCES] + [PORTRAIT["SEVERAL_PRIOR"]])
        self.group = [APPLIANCES[k][1] or k for k in APPLIANCES]

    def judge(self, days):
        """for each day the likeliest key, and what is said: that, "several" or "unknown", with its probability"""
        p = ((self.forest.shares(days) + PORTRAIT["LEAST"]) * self.prior) ** PORTRAIT["SHARPER"]
        p /= p.sum(1, keepdims=True)
        keys, out = list(APPLIANCES), []
        for q in p:
            groups = {g: sum(q[i] for i, o in enumerate(self.group) if o == g) for g in self.group}
            best = max(groups, key=groups.get)
            members = [i for i, o in enumerate(self.group) if o == best]
            top = max(members, key=lambda i: q[i])
            key = keys[top if q[top] >= PORTRAIT["MEMBER"] * groups[best] else members[0]]
            said = "several" if q[-1] >= PORTRAIT["SURE"] else key if groups[best] >= PORTRAIT["SURE"] else "unknown"
            out.append((key, said, q[-1] if said == "several" else groups[best]))
        return out


# ---- fitting -----------------------------------------------------------------------------------
def densities(X, mu, sd):
    d = (X[:, None, :] - mu[None]) / sd[None]
    t = -2.5 * np.log1p(d * d / 4) - np.log(sd[None]) - 0.95
    return np.where(np.isnan(t), 0, t * W).sum(2)


def mixture(X, w, k, rng):
    """k Gaussians with diagonal widths by expectation and maximisation; a feature that is not known
    says nothing"""
    unknown = np.isnan(X)
    seen = np.where(unknown.all(0), BG_MU, np.nanmean(np.where(unknown.all(0), BG_MU, X), 0))
    filled = np.where(unknown, seen, X)
    best = None
    for _ in range(3 if k > 1 else 1):
        mu = filled[rng.choice(len(X), k, p=w / w.sum())].copy()
        sd = np.tile(np.maximum(filled.std(0), FLOOR), (k, 1))
        part = np.full(k, 1 / k)
        for _ in range(30):
            L = densities(X, mu, sd) + np.log(part)
            top = L.max(1, keepdims=True)
            R = np.exp(L - top)
            total = R.sum(1, keepdims=True)
            R = R / total * w[:, None]
            part = np.maximum(R.sum(0) / R.sum(), 0.03)
            part /= part.sum()
            for j in range(k):
                r = np.where(unknown, 0, R[:, j:j + 1])
                n = r.sum(0)
                x = np.where(unknown, 0, X)
                m = (r * x).sum(0) / np.maximum(n, 1e-9)
                v = (r * (x - m) ** 2).sum(0) / np.maximum(n, 1e-9)
                mu[j] = np.where(n > 1e-6, m, np.nan)
                sd[j] = np.where(n > 1e-6, np.sqrt(v + FLOOR ** 2), np.nan)
        fit = ((top[:, 0] + np.log(total[:, 0])) * w).sum()
        if best is None or fit > best[0]:
            best = (fit, mu.copy(), sd.copy(), part.copy())
    return best[1:]


def fit_class(X, devices, rng):
    names = sorted(set(devices))
    w = np.zeros(len(X))
    for d in names:
        w[devices == d] = 1 / (devices == d).sum() / len(names)
    mu, sd, part = mixture(X, w, 3 if len(X) > 60 else 2 if len(X) > 12 else 1, rng)
    return mu, np.sqrt(sd ** 2 + (WIDER * (2.0 if len(names) < 2 else 1.2 if len(names) < 4 else 0.8)) ** 2), part


def published(key):
    mu, sd, part = [], [], []
    for p, ranges in APPLIANCES[key][5]:
        m, s = np.full(len(F), np.nan), np.full(len(F), np.nan)
        for name, v in ranges.items():
            if name == "us":
                continue
            n = NAMES.index(name)
            v = [x / 0.75 for x in v] if name == "watts" and ranges.get("us") else v
            m[n] = scale(n, v[1])
            s[n] = max((scale(n, v[2]) - scale(n, v[0])) / (2 * TENTH), FLOOR[n] / 2)
        mu.append(m), sd.append(s), part.append(p)
    return np.array(mu), np.array(sd), np.array(part) / sum(part)


def fit_all(rows, tapes, without=()):
    rng = np.random.default_rng(1)
    tape = rows[:, 0].astype(int)
    key = np.array([t[0] for t in tapes])[tape]
    device = np.array([t[1] for t in tapes])[tape]
    known = ~np.isin(device, list(without))
    model = {}
    for k in APPLIANCES:
        mu, sd, part = published(k)
        mine = known & (key == k)
        if mine.any():
            a, b, c = fit_class(rows[mine][:, 3:], device[mine], rng)
            mu, sd, part = np.vstack([a, mu]), np.vstack([b, sd]), np.append(c * (1 - REFERENCE_PART), part * REFERENCE_PART)
        model[k] = (mu, sd * STRETCH, part)
    return model


def right(key, said):
    return said == key or said in ALSO.get(key, ())


# ---- appliances.cfg ------------------------------------------------------------------------------
HEAD = """/*
 * appliances.cfg - what the usual appliances look like to a current transformer.
 *
 * Written by docs/method/appliances_fit.py; a site may have its own copy beside its site.cfg. A range
 * is [ low, typical, high ]: 10, 50 and 90 of a hundred. Watts at 230 V (see gateway/model/signature.h
 * for appliances made for 120 V); the other features are explained there too. A mode that says
 * "traces" is fitted to the development traces: contains information from the tracebase data set,
 * which is made available at http://www.tracebase.org under the Open Database License (ODbL).
 * Published figures:
"""


TREES_HEAD = """
/* Trees that tell what a circuit carries by its day: what the numbers are stands in
 * config/appliances_file.h. Grown on made days and on the traces (see above). */"""


def number(v):
    text = "%.3g" % v if abs(v) < 1000 else "%.0f" % v
    return text if "." in text or "e" in text else text + ".0"  # all of an array are of one type


def trees_text(days):
    """day_classes and day_trees, a line broken where it gets long"""
    tree = lambda t: '"\n    "'.join(textwrap.wrap(" ".join(map(str, t)), 150, break_on_hyphens=False)).replace('"\n', ' "\n')
    return "%s\nday_classes = (\n  %s );\nday_trees = (\n    %s );\n" % (
        TREES_HEAD, "\n  ".join(textwrap.wrap(", ".join('"%s"' % k for k in days.forest.keys), 150)),
        ",\n    ".join('"%s"' % tree(t) for t in days.forest.trees))


def write(model, days, tapes, out):
    source = re.search(r"  DOE .*?(?=\n\"\"\")", open(os.path.join(os.path.dirname(os.path.abspath(__file__)), "appliances_reference.py")).read(), re.S)[0]
    devices = collections.Counter(k for k, _ in {(t[0], t[1]) for t in tapes})
    with open(out, "w") as f:
        f.write(HEAD + "\n".join((" *" + line).rstrip() for line in source.split("\n")) + "\n */\nappliances = (\n")
        for i, (k, (mu, sd, part)) in enumerate(model.items()):
            name, group, share, sure, said, modes = APPLIANCES[k]
            f.write("  /* %s */\n  { key = \"%s\"; name = \"%s\"; share = %.3f; sure = %.2f;" % (said, k, name, share, sure))
            f.write(" group = \"%s\";" % group if group else "")
            f.write("\n    modes = (\n")
            for j in range(len(part)):
                traced = j < len(part) - len(modes)
                f.write("      { part = %.3f; /* %s */" % (part[j], "traces, %d devices" % devices[k] if traced else "published"))
                column = 0
                for n in range(len(F)):
                    if np.isnan(mu[j, n]):
                        continue
                    v = [unscale(n, mu[j, n] + z * TENTH * sd[j, n]) for z in (-1, 0, 1)]
                    f.write(("\n        " if column % 3 == 0 else " ") + "%s = [ %s ];" % (NAMES[n], ", ".join(map(number, v))))
                    column += 1
                f.write(" }%s\n" % ("," if j + 1 < len(part) else ""))
            f.write("    ); }%s\n" % ("," if i + 1 < len(model) else ""))
        f.write(");\n" + trees_text(days))


def write_days(days, out):
    """in place of those that the file has"""
    text = open(out).read()
    text = text[:text.rindex("\n);") + 4] if "day_trees" not in text else text[:text.index(TREES_HEAD)]
    with open(out, "w") as f:
        f.write(text + trees_text(days))


# ---- the report ------------------------------------------------------------------------------------
def report(all_days, mixes, meta, made, made_keys):
    table, claims, said = collections.defaultdict(collections.Counter), [], collections.Counter()
    device = np.array([d for _, d in meta])
    for d in sorted(set(device)):
        rest = np.flatnonzero(device != d)
        days, k = Days(all_days[rest], [meta[i] for i in rest], mixes[:0], made, made_keys), d.split(":")[0]
        for best, what, p in days.judge(all_days[device == d]):
            table[k][best] += 1
            said[what if what in ("several", "unknown") else "one"] += 1
            if what not in ("several", "unknown"):
                claims.append((p, right(k, what)))
    print("| appliance | devices | days | right | taken for |\n|---|---|---|---|---|")
    shares, many = [], []
    for k in sorted(table):
        n, devices = sum(table[k].values()), len({d for m, d in meta if m == k})
        shares.append(sum(v for s, v in table[k].items() if right(k, s)) / n)
        if devices > 1:
            many.append(shares[-1])
        print("| %s | %d | %d | %.0f %% | %s |" % (k, devices, n, 100 * shares[-1], ", ".join("%s %d" % x for x in table[k].most_common(6))))
    print("| mean of the classes | | %d | %.1f %% | of the %d with two devices or more %.1f %% |" % (len(meta), 100 * np.mean(shares), len(many), 100 * np.mean(many)))
    kind = {k: name for name, keys in KINDS.items() for k in keys.split()}
    alike = [sum(v for s, v in table[k].items() if right(k, s) or kind.get(s) == kind[k]) / sum(table[k].values()) for k in table]
    print("right kind of appliance (KINDS): mean of the classes %.1f %%" % (100 * np.mean(alike)))
    print("of all days called one appliance %d, several %d, unknown %d; of those called one, right %.2f" % (
        said["one"], said["several"], said["unknown"], np.mean([r for _, r in claims])))
    for low, high in ((.6, .8), (.8, .95), (.95, 1.01)):
        part = [r for p, r in claims if low <= p < high]
        print("said %.2f to %.2f: %d, right %.2f" % (low, min(high, 1), len(part), np.mean(part) if part else np.nan))
    for name, days in (("made days alone (no trace)", Days(all_days[:0], [], mixes[:0], made, made_keys)),
                       ("known devices", Days(all_days, meta, mixes[:SEVERAL_TEACH], made, made_keys))):
        classes = collections.defaultdict(list)
        for (best, _, _), (k, _) in zip(days.judge(all_days), meta):
            classes[k].append(right(k, best))
        print("%s: mean of the classes %.1f %%" % (name, 100 * np.mean([np.mean(v) for v in classes.values()])))
    print("days of several that taught nothing:", dict(collections.Counter(
        w if w in ("several", "unknown") else "one" for _, w, _ in days.judge(mixes[SEVERAL_TEACH:]))))


def main():
    p = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    p.add_argument("verb", choices=("fit", "days", "report"))
    p.add_argument("--traces", required=True)
    p.add_argument("--build", default=os.path.join(ROOT, "build"))
    p.add_argument("--out", default=os.path.join(ROOT, "config/appliances.cfg"))
    p.add_argument("--without", help="a file of devices, key:device a line, that are left out")
    a = p.parse_args()
    np.seterr(all="ignore")
    warnings.filterwarnings("ignore", message="Mean of empty slice")
    all_days, mixes, meta = days_of(a.traces, a.build)
    made, made_keys = made_days(a.build)
    if a.verb == "report":
        return report(all_days, mixes, meta, made, made_keys)
    without = set(open(a.without).read().split()) if a.without else ()
    kept = [i for i, m in enumerate(meta) if m[1] not in without]
    days = Days(all_days[kept], [meta[i] for i in kept], mixes[:0 if without else SEVERAL_TEACH], made, made_keys)
    if a.verb == "days":
        return write_days(days, a.out)
    rows, tapes = runs_of(a.traces, a.build)
    rows = rows[np.exp(rows[:, 3 + NAMES.index("seconds")]) >= LEAST_SECONDS + 5]
    write(fit_all(rows, tapes, without), days, [t for t in tapes if t[1] not in without], a.out)


if __name__ == "__main__":
    main()
