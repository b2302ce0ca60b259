#!/usr/bin/python3
"""Fits the signatures of config/appliances.cfg and tells how far they carry.

    appliances_fit.py fit    --traces DIR [--build build] [--out config/appliances.cfg] [--without FILE]
    appliances_fit.py days --traces DIR [--build build] [--out config/appliances.cfg] [--without FILE]
    appliances_fit.py report --traces DIR [--build build]

Every device's days of DIR (format and attribution: its README) are played through the gateway's
own analysis by BUILD/tests/bench/appliance_runs (`make bench-programs`); the features of the runs
it finds are what is fitted. A class is a mixture of Gaussians on the features' scales, every
device counting the same, widened by what a further device of the class may differ; the published
figures of appliances_reference.py are one part in four of it, and all of it for what the traces
do not hold. `days` leaves the modes of the file as they are and puts the days of the devices in anew (what the judge of
whole days compares with, gateway/analysis/portrait.h), and made days of several appliances. `report` holds back each device in
turn, fits the rest, judges each day alone on a circuit, and prints the table of docs/method/appliances.md. Needs python3-numpy. The traces are not part of foretrip.
"""
import argparse, collections, csv, os, re, subprocess, sys, warnings
import numpy as np
sys.path.insert(0, os.path.dirname(os.path.abspath(__file__)))
from appliances_reference import ALSO, APPLIANCES, CLASSES, SAME
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
    share = float(re.search(r"#define UNKNOWN_SHARE ([\d.]+)", text)[1])
    return [(n, linear == "true", float(plus)) + ground[k] for k, n, linear, plus in names], share


F, UNKNOWN_SHARE = features()
NAMES = [f[0] for f in F]
W, BG_MU, BG_SD = (np.array([f[i] for f in F]) for i in (3, 4, 5))
def constants():
    """those of the judge of whole days"""
    text = "".join(open(os.path.join(ROOT, "gateway/analysis", f)).read() for f in ("portrait.c", "loads_known.c"))
    return {n: float(v) for n, v in re.findall(r"#define (WIDTH|SCALE|LACKS|EACH_ITS_OWN|FLATTER|SURE|POOLED_MOST) ([\d.]+)F", text)}


PORTRAIT = constants()
MIXES, SEVERAL = 160, 60  # made days of several appliances: all, and those that teach
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
    rows = np.array([[float(x) for x in line.split()] for line in tool.stdout if line[:1] not in b"DL"])
    t.join()
    if tool.wait():
        sys.exit("appliance_runs failed")
    return rows, [(CLASSES[c], CLASSES[c] + ":" + d, len(f)) for (c, _, d), f in tapes.items()]


def days_of(traces, build):
    """Every day on a circuit of its own, and MIXES made days of circuits with two to six appliances: for each the
    figures of the day taken whole and the loads learned [runs, features ...]; and for every single day (key, device)."""
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
    tool = subprocess.Popen([os.path.join(build, "tests/bench/appliance_runs")], stdin=subprocess.PIPE, stdout=subprocess.PIPE)
    import threading
    def feed():
        for i, pick in enumerate([[i] for i in range(len(index))] + picks):
            w = [load_trace(os.path.join(traces, index[j]["file"])) for j in pick]
            w = w[0] if len(w) == 1 else np.sum(np.nan_to_num(w), 0)
            tool.stdin.write(np.array([len(w), i], np.int32).tobytes() + w.astype(np.float32).tobytes())
        tool.stdin.close()
    t = threading.Thread(target=feed)
    t.start()
    days, loads = {}, collections.defaultdict(list)
    for line in tool.stdout:
        kind, *rest = line.split()
        if kind == b"D":
            days[int(rest[0])] = [float(x) for x in rest[1:]]
        elif kind == b"L":
            loads[int(rest[0])].append([float(x) for x in rest[1:]])
    t.join()
    if tool.wait():
        sys.exit("appliance_runs failed")
    n = len(meta) + MIXES
    return np.array([days[i] for i in range(n)]), [np.array(loads[i]) for i in range(n)], meta


class Days:
    """what the judge of whole days knows (gateway/analysis/portrait.c): the mean day of each device, the centre and width
    of all days, some made days of several appliances"""
    def __init__(self, days, meta, several):
        device = np.array([d for _, d in meta])
        self.centre, self.width = np.nanmean(days[:len(meta)], 0), np.maximum(np.nanstd(days[:len(meta)], 0), 1e-3)
        self.devices = {d: np.nanmean(days[:len(meta)][device == d], 0) for d in sorted(set(device))}
        self.several = days[len(meta):len(meta) + several]

    def likeness(self, day, centre, width):
        t = -2.5 * np.log1p(((day - centre) / (width * self.width)) ** 2 / 4) - np.log(width)
        return np.where(np.isnan(t), 0, t).sum()

    def mean_likeness(self, day, centres):
        v = np.array([self.likeness(day, c, PORTRAIT["WIDTH"]) for c in centres])
        return PORTRAIT["SCALE"] * (v.max() + np.log(np.exp(v - v.max()).mean()))

    def judge(self, day, loads, model, without=None):
        """the likeliest key, and what is said: that, "several" or "unknown", with its probability"""
        o = np.array([self.mean_likeness(day, own) if own else np.nan for own in
                      ([c for d, c in self.devices.items() if d.startswith(k + ":") and d != without] for k in APPLIANCES)])
        o = np.where(np.isnan(o), np.nanmax(o) - PORTRAIT["LACKS"], o)
        several = self.mean_likeness(day, self.several) - PORTRAIT["EACH_ITS_OWN"]
        if len(loads):
            each, n = odds(model, loads[:, 1:]), loads[:, 0]
            scale = np.sqrt(min(n.sum(), PORTRAIT["POOLED_MOST"])) / n.sum()
            o += (each * n[:, None]).sum(0) * scale
            several += (np.maximum(each.max(1), 0) * n).sum() * scale
        else:
            o += np.log([APPLIANCES[k][2] for k in APPLIANCES])
        every = np.append(o, [PORTRAIT["SCALE"] * self.likeness(day, self.centre, 1), several]) / PORTRAIT["FLATTER"]
        p = np.exp(every - every.max())
        p /= p.sum()
        best = int(o.argmax())
        key = list(APPLIANCES)[best]
        if p[-1] >= PORTRAIT["SURE"]:
            return key, "several", p[-1]
        return key, key if p[best] >= PORTRAIT["SURE"] else "unknown", p[best]


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


# ---- judging, as gateway/analysis/appliances.c does ----------------------------------------------
def odds(model, X):
    base = -0.5 * ((X - BG_MU) / BG_SD) ** 2 - np.log(BG_SD) - 0.92
    out = np.zeros((len(X), len(model)))
    for i, (k, (mu, sd, part)) in enumerate(model.items()):
        d = (X[:, None, :] - mu[None]) / sd[None]
        t = W * (-2.5 * np.log1p(d * d / 4) - np.log(sd[None]) - 0.95 - base[:, None, :])
        L = np.where(np.isnan(t), 0, t).sum(2) + np.log(part)
        top = L.max(1)
        out[:, i] = top + np.log(np.exp(L - top[:, None]).sum(1)) + np.log(APPLIANCES[k][2])
    return out


def probabilities(L):
    top = np.maximum(L.max(1, keepdims=True), 0)
    P = np.exp(L - top)
    return P / (P.sum(1, keepdims=True) + UNKNOWN_SHARE * np.exp(-top))


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


def number(v):
    text = "%.3g" % v if abs(v) < 1000 else "%.0f" % v
    return text if "." in text or "e" in text else text + ".0"  # all of an array are of one type


def figures(day):
    return "[ %s ]" % ", ".join("-99.0" if np.isnan(v) else "%.2f" % v for v in day)


def all_days_text(days):
    return "\n/* centre and width of all days; made days of circuits with several appliances */\nday_centre = %s;\nday_width = %s;\nseveral_days = (\n  %s );\n" % (
        figures(days.centre), figures(days.width), ",\n  ".join(map(figures, days.several)))


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
            own = [c for d, c in days.devices.items() if d.startswith(k + ":")]
            f.write("    );%s }%s\n" % ("\n    days = (\n      %s );" % ",\n      ".join(map(figures, own)) if own else "",
                                       "," if i + 1 < len(model) else ""))
        f.write(");" + all_days_text(days))


def write_days(days, out):
    """in place of those that the file has"""
    text = re.sub(r"\n    days = \(.*?\); \}", " }", open(out).read(), flags=re.S)
    text = text[:text.rindex("\n);") + 3]
    for k in APPLIANCES:
        own = [c for d, c in days.devices.items() if d.startswith(k + ":")]
        if own:
            at = text.index("\n    ); }", text.index("key = \"%s\"" % k)) + 7
            text = text[:at] + "\n    days = (\n      %s );" % ",\n      ".join(map(figures, own)) + text[at:]
    with open(out, "w") as f:
        f.write(text + all_days_text(days))


# ---- the report ------------------------------------------------------------------------------------
def report(rows, tapes, all_days, loads, meta):
    tape = rows[:, 0].astype(int)
    device = np.array([t[1] for t in tapes])[tape]
    key = np.array([t[0] for t in tapes])[tape]
    full = fit_all(rows, tapes)
    table, claims, said = collections.defaultdict(collections.Counter), [], collections.Counter()
    for d in sorted({d for _, d in meta}):  # the class of the device that is held back, fitted without it
        k = d.split(":")[0]
        rest = [i for i, m in enumerate(meta) if m[1] != d]
        days = Days(np.vstack([all_days[rest], all_days[len(meta):]]), [meta[i] for i in rest], SEVERAL)
        model = dict(full)
        if (device == d).any():
            model[k] = fit_all(rows[key == k], tapes, {d})[k]
        for i in [i for i, m in enumerate(meta) if m[1] == d]:
            best, what, p = days.judge(all_days[i], loads[i], model)
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
    print("of all days called one appliance %d, several %d, unknown %d; of those called one, right %.2f" % (
        said["one"], said["several"], said["unknown"], np.mean([r for _, r in claims])))
    for low, high in ((.6, .8), (.8, .95), (.95, 1.01)):
        part = [r for p, r in claims if low <= p < high]
        print("said %.2f to %.2f: %d, right %.2f" % (low, min(high, 1), len(part), np.mean(part)))
    days = Days(all_days, meta, SEVERAL)
    for name, which in (("known devices", range(len(meta))), ("made days of several", range(len(meta) + SEVERAL, len(all_days)))):
        got = [(days.judge(all_days[i], loads[i], full), meta[i][0] if i < len(meta) else "several") for i in which]
        classes = collections.defaultdict(list)
        for (best, what, _), k in got:
            classes[k].append(right(k, best) if k != "several" else what == "several")
        print("%s: mean of the classes %.1f %%; said %s" % (name, 100 * np.mean([np.mean(v) for v in classes.values()]),
              dict(collections.Counter(w if w in ("several", "unknown") else "one" for (_, w, _), _ in got))))


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
    rows, tapes = runs_of(a.traces, a.build)
    rows = rows[np.exp(rows[:, 3 + NAMES.index("seconds")]) >= LEAST_SECONDS + 5]
    all_days, loads, meta = days_of(a.traces, a.build)
    if a.verb == "report":
        return report(rows, tapes, all_days, loads, meta)
    without = set(open(a.without).read().split()) if a.without else ()
    kept = [i for i, m in enumerate(meta) if m[1] not in without]
    days = Days(np.vstack([all_days[kept], all_days[len(meta):]]), [meta[i] for i in kept], SEVERAL)
    if a.verb == "days":
        return write_days(days, a.out)
    write(fit_all(rows, tapes, without), days, [t for t in tapes if t[1] not in without], a.out)


main()
