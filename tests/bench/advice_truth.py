#!/usr/bin/python3
"""Does moving the advised load really avoid the trips that the advice claims? For houses of the outside check.

    advice_truth.py --eval DIR --traces DIR --tool PATH/TO/foretrip --seed N --house N [--days N] [--work DIR]

The house is made anew as trial.py makes it, and what is true of it is kept: the current of every load of every
circuit, uncut by overloads, and each breaker as it was drawn (k, tau, its second body, the day's ambient). The record
goes through `foretrip replay` and `foretrip advise`, which see the readings alone. Then the advised loads are moved in
the truth: behind each of the load's runs in the record the true load whose current steps then, with all of that run. The
true breakers are followed
through both ways. A claimed trip was avoided (held) when its circuit does not open from a minute before it to two minutes
after; quiet: nor in the hour that follows, in which people then do what they did in the dark.
Prints a line of JSON. Needs python3-numpy.
"""
import argparse, json, math, os, subprocess, sys, tempfile, types
from datetime import datetime, timezone
import numpy as np

LAST = 30000  # seconds at the end of a house in which trial.py lets no breaker open, whatever it carries: left out

class Recorder:
    """a generator that remembers what its uniform was asked"""
    def __init__(self, rng):
        self.rng, self.asked = rng, []

    def __getattr__(self, name):
        return getattr(self.rng, name)

    def uniform(self, a, b):
        v = self.rng.uniform(a, b)
        self.asked.append((a, b, v))
        return v


class Watcher:
    """numpy, but it tells when the overloads are about to be followed"""
    def __init__(self, tell):
        self.tell = tell

    def __getattr__(self, name):
        return getattr(np, name)

    def zeros(self, shape, *a, **k):
        if isinstance(shape, tuple) and len(shape) == 2:
            self.tell(sys._getframe(1).f_locals, shape)
        return np.zeros(shape, *a, **k)


def make(trial, traces, seed, number, days, out):
    """the house, written, and the truth of it"""
    import csv
    kept = {}

    def tell(local, shape):
        if shape[1] == days * trial.DAY // 60 + 1:
            kept["parts"] = [[(c, w.copy()) for c, w in p] for p in local["parts"]]
            kept["supply"] = local["supply"].copy()
            kept["circuits"] = local["circuits"]

    rng = Recorder(np.random.default_rng(seed * 1000 + number))
    trial.np = Watcher(tell)
    with open(os.path.join(traces, "index.csv")) as f:
        index = list(csv.DictReader(f))
    trial.make_house(rng, traces, index, number, days, out)
    drawn = [v for a, b, v in rng.asked if (a, b) in ((0, 0.2), (600, 1800), (0, 0.06))]
    kept["bodies"] = [drawn[i:i + 3] for i in range(0, len(drawn), 3)]
    kept["openings"] = json.load(open(os.path.join(out, "truth.json")))["openings"]
    assert len(kept["bodies"]) == len(kept["circuits"])
    return kept


def follow(house, ci, parts):
    """when the true breaker opens, with these loads: as trial.py follows it"""
    c, (f, slow, wave) = house["circuits"][ci], house["bodies"][ci]
    supply = house["supply"][ci].copy()
    n = supply.size
    total = np.sum([w for _, w in parts], axis=0) * supply
    e, e2 = math.exp(-1.0 / c["tau"]), math.exp(-1.0 / slow)
    kk = (c["k"] * c["rating"]) ** 2 / (1 + wave * np.sin((np.arange(n) / 86400 - 0.4) * 2 * np.pi))
    q = (total * total / kk).tolist()
    durations = {o["opened_at"]: o["restored_at"] - o["opened_at"] for o in house["openings"] if o["circuit"] == c["id"]}
    h1 = h2 = 0.0
    out, closed_at = [], 0
    for t in range(n):
        x = q[t] if t >= closed_at else 0.0
        h1 = h1 * e + (1 - e) * x
        h2 = h2 * e2 + (1 - e2) * x
        if (1 - f) * h1 + f * h2 >= 1.0:
            if 3600 < t < n - LAST and t >= closed_at and supply[max(0, t - 4):t + 1].all():
                out.append(t + 1)
                near = [d for a, d in durations.items() if abs(a - t - 1) <= 5]
                closed_at = t + 1 + (near[0] if near else 1800)
                for name, w in parts:  # what is in use by hand stays off after the reset until its run is over
                    if name in HAND or name == "heater":
                        a = t + 1
                        while a < n and w[a] > 0.1:
                            a += 1
                        for s in range(closed_at, a):
                            q[s] = 0.0 if len(parts) == 1 else max(0.0, math.sqrt(q[s] * kk[s]) - w[s]) ** 2 / kk[s]
            h1 = min(h1, 0.5)
    return out


def cut(path, to, rows):
    with open(path) as f, open(to, "w") as out:
        for i, line in enumerate(f):
            if i > rows:
                break
            out.write(line)


def recorded(tool, d, circuit, load, base):
    """the runs of an advised load as they are in the record: begin, end, amps"""
    said = subprocess.run([tool, "history", circuit, "--config", d, "--events"], check=True, capture_output=True, text=True).stdout
    out = []
    for e in map(json.loads, said.splitlines()):
        if e["type"] != "load_off":
            continue
        if e["appliance"] == load["appliance"] if load["by_name"] else load["least_amps"] - 0.01 <= e["amps"] <= load["most_amps"] + 0.01:
            end = datetime.fromisoformat(e["time"].replace("Z", "+00:00")).timestamp() - base
            out.append((int(end - e["seconds"]), int(end), e["amps"]))
    return out


def take_runs(parts, runs):
    """the appliances behind those runs moved: of the load whose current steps most like the run, all of the run"""
    out = [np.zeros_like(w) for _, w in parts]
    for on, off, amps in runs:
        last = max(on + 3, min(off - 2, on + 60))  # past a motor that runs up, or a drum that turns first
        first = min(on + 15, last - 1)
        step = [np.median(w[first:last]) - np.median(w[max(0, on - 7):max(1, on - 2)]) for _, w in parts]
        best = int(np.argmin([abs(s - amps) for s in step]))
        w = parts[best][1]
        if abs(step[best] - amps) > 0.25 * amps + 0.3:
            continue  # nothing true behind it
        a, b = on, on + 2
        while a > 0 and w[max(0, a - 600):a].max() > 0.05:  # its programme, with pauses of ten minutes
            a -= 1
        while b < w.size and w[b:b + 600].max() > 0.05:
            b += 1
        out[best][a:b] = w[a:b]
    return ([(n, w - o) for (n, w), o in zip(parts, out)], [(n, o) for (n, _), o in zip(parts, out) if o.any()])


def main():
    p = argparse.ArgumentParser()
    for name in ("eval", "traces", "tool"):
        p.add_argument("--" + name, required=True)
    p.add_argument("--seed", type=int, required=True)
    p.add_argument("--house", type=int, required=True)
    p.add_argument("--days", type=int, default=14)
    p.add_argument("--work")
    a = p.parse_args()
    trial = types.ModuleType("trial")  # the program without its last line, which runs it
    with open(os.path.join(a.eval, "trial.py")) as f:
        exec(compile(f.read().rsplit("\nmain()", 1)[0], "trial.py", "exec"), trial.__dict__)
    global HAND
    HAND = trial.HAND
    with tempfile.TemporaryDirectory(dir=a.work) as d:
        house = make(trial, a.traces, a.seed, a.house, a.days, d)
        base = json.load(open(os.path.join(d, "truth.json")))["t_base"]
        cut(d + "/readings.csv", d + "/cut.csv", a.days * trial.DAY - LAST)
        subprocess.run([a.tool, "replay", "--config", d, "--readings", d + "/cut.csv", "--database", d + "/foretrip.db"],
                       check=True, capture_output=True)
        said = json.loads(subprocess.run([a.tool, "advise", "--config", d, "--json"], check=True, capture_output=True).stdout)
        runs = [recorded(a.tool, d, x["circuit"], x["load"], base) if x["load"] else [] for x in said["advice"]]
    at = {c["id"]: i for i, c in enumerate(house["circuits"])}
    now = [list(x) for x in house["parts"]]
    res = dict(seed=a.seed, house=a.house, moves=0, dedicated=0, tests=0, claimed=0, held=0, claimed_alone=0, held_alone=0, quiet=0,
               added_said=0.0, added=0, before=0, after=0, worn_said=0, worn_true=0, misses=[])
    opened = lambda ci, parts: follow(house, ci, [(n, w.copy()) for n, w in parts])
    first = {}
    moves = [x for x in said["advice"] if x["kind"] == "move"]
    for x, r in zip(said["advice"], runs):
        if x["kind"] != "move":
            continue
        for c in (x["circuit"], x["to"]):
            if c not in first:
                first[c] = opened(at[c], now[at[c]])
        left, moved = take_runs(now[at[x["circuit"]]], r)
        now[at[x["circuit"]]] = left
        now[at[x["to"]]] = now[at[x["to"]]] + moved
        res["added_said"] += x["trips"]["added"]
    then = {c: opened(at[c], now[at[c]]) for c in first}

    def judge(x, then, claimed, held):
        for id in x["avoided"]:
            t = datetime.strptime(id[-16:], "%Y%m%dT%H%M%SZ").replace(tzinfo=timezone.utc).timestamp() - base
            res[claimed] += 1
            again = [o for o in then if t - 60 <= o <= t + 3600]
            res[held] += not [o for o in again if o <= t + 120]
            res["quiet"] += not again
            if again:
                res["misses"].append([x["kind"], x["circuit"], int(t), again, x["load"]])

    for x in moves:
        res["moves"] += 1
        judge(x, then[x["circuit"]], "claimed", "held")
    for c in first:
        res["before"] += len(first[c])
        res["after"] += len(then[c])
        if any(x["to"] == c for x in moves):
            res["added"] += sum(not any(abs(o - b) <= 7200 for b in first[c]) for o in then[c])
    for x, r in zip(said["advice"], runs):
        if x["kind"] == "dedicated":
            res["dedicated"] += 1
            left, _ = take_runs(now[at[x["circuit"]]], r)
            judge(x, opened(at[x["circuit"]], left), "claimed_alone", "held_alone")
        elif x["kind"] == "test":
            res["tests"] += 1
            res["worn_said"] += x["trips"]["avoided"]
            res["worn_true"] += bool(house["circuits"][at[x["circuit"]]]["worn"])
    print(json.dumps(res))


main()
