"""For traces_day.sh: which traces to play, the site to play them in, and whether what mosquitto_sub heard
is what was recorded. A trace: `t_s,watts`, the value holds until the next row, an empty cell is a gap."""
import bisect
import csv
import datetime
import gzip
import json
import os
import sys
import time

VOLTS = 230.0
CLASSES = os.environ.get("TRACES_CLASSES", "Refrigerator WaterKettle Dishwasher TV-LCD").split()
RUN_CLASSES = ("WaterKettle", "Coffeemaker", "Iron", "Toaster", "MicrowaveOven", "HairDryer")
LEAD_SECONDS, AFTER_SECONDS = 25, 10  # of rest before such a run, and until its end is asked for
PARTS = 10
PART_SECONDS = 86400 // PARTS


class Trace:
    def __init__(self, path):
        self.seconds, self.watts = [], []
        with gzip.open(path, "rt", encoding="ascii") as f:
            next(f)
            for line in f:
                t, w = line.strip().split(",")
                self.seconds.append(int(t))
                self.watts.append(float(w) if w else 0.0)
        self.watts[-1] = 0.0  # nothing is known after the last row: played as off

    def at(self, second):
        i = bisect.bisect_right(self.seconds, second)
        return self.watts[i - 1] if i else 0.0

    def range(self, a, b):
        """least and most between two seconds"""
        i, j = bisect.bisect_right(self.seconds, a), bisect.bisect_right(self.seconds, b)
        seen = self.watts[max(i - 1, 0):j] or [0.0]
        return (min(seen) if i else 0.0), max(seen)

    def energy_wh(self):
        return sum(w * (t2 - t1) for w, t1, t2 in
                   zip(self.watts, self.seconds, self.seconds[1:])) / 3600.0

    def runs(self, least):
        """(begin, end, mean watts) of the spells above `least` watts"""
        begin, total, out = None, 0.0, []
        for t, w, t2 in zip(self.seconds, self.watts, self.seconds[1:] + [self.seconds[-1]]):
            if w >= least:
                if begin is None:
                    begin, total = t, 0.0
                total += w * (t2 - t)
            elif begin is not None:
                out.append((begin, t, total / max(1, t - begin)))
                begin = None
        return out


def good_days(traces):
    days = {}
    with open(os.path.join(traces, "index.csv"), encoding="ascii") as f:
        for row in csv.DictReader(f):
            if float(row["gap_s"]) < 900 and int(row["last_s"]) - int(row["first_s"]) > 80000:
                days.setdefault(row["class"], []).append(row["file"])
    return days


def lone_run(trace):
    """A run of 25 to 60 s that stands alone, even, a minute of rest around it."""
    for begin, end, watts in trace.runs(400.0):
        rest = max(trace.range(begin - 40, begin - 3)[1], trace.range(end + 3, end + 45)[1])
        least, most = trace.range(begin + 4, end - 4)
        if 25 <= end - begin <= 60 and rest < 100 and least > 0.9 * most and begin > 60:
            return begin, end, watts
    return None


def clock_text(second):
    return f"{second // 3600:02d}:{second // 60 % 60:02d}:{second % 60:02d}"


def pick(traces, n, out):
    """Writes day.plan and run.plan (circuit, file, second of the recording to begin at)."""
    days = good_days(traces)
    write_plan(out, "day", [(f"d{i + 1}-{part:02d}", days[c][(n - 1) % len(days[c])], part * PART_SECONDS)
                            for i, c in enumerate(CLASSES) for part in range(PARTS)])
    lone = []
    for c in RUN_CLASSES:
        for name in days.get(c, [])[n - 1:] + days.get(c, [])[:n - 1]:
            run = lone_run(Trace(os.path.join(traces, name)))
            if run:
                lone.append((f"c-{len(lone) + 1:02d}", name, run[0] - LEAD_SECONDS, run[1] - run[0]))
                break
    if not lone:
        sys.exit("no run of an appliance stands alone")
    write_plan(out, "run", [r[:3] for r in lone])
    with open(os.path.join(out, "run.seconds"), "w", encoding="ascii") as f:
        f.write(str(LEAD_SECONDS + max(r[3] for r in lone) + AFTER_SECONDS))


def write_plan(out, name, plan):
    """The plan for the checks, and as the house's arguments."""
    with open(os.path.join(out, name + ".plan"), "w", encoding="ascii") as f:
        f.writelines(f"{c} {t} {s}\n" for c, t, s in plan)
    with open(os.path.join(out, name + ".args"), "w", encoding="ascii") as f:
        f.write(" ".join(f"--play {t}={c}@{clock_text(s)}" for c, t, s in plan))


def read_plan(path):
    with open(path, encoding="ascii") as f:
        return [(c, t, int(s)) for c, t, s in map(str.split, f)]


def make_site(directory, name, poll_ms, broker_port, plan):
    os.makedirs(directory)
    circuits = ",\n".join(
        f'{{ id = "{c}"; panel = "main"; position = "{i + 1}"; name = "{c}"; leg = "A"; breaker_amps = 16; '
        f'type = "B"; meter = "m1"; channels = [ {i + 1} ]; }}' for i, (c, _, _) in enumerate(read_plan(plan)))
    with open(os.path.join(directory, "site.cfg"), "w", encoding="ascii") as f:
        f.write(f'''site = {{ id = "{name}"; name = "Recorded"; timezone = "Europe/Berlin";
  standard = "IEC60898"; nominal_volts = {VOLTS}; }};
panels = ( {{ id = "main"; name = "Main"; legs = 1; rating_amps = 63; }} );
buses = ( {{ id = "lan"; host = "127.0.0.1"; port = 1502; poll_ms = {poll_ms}; timeout_ms = 45; }} );
meters = ( {{ id = "m1"; bus = "lan"; unit = 1; map = "branch-meter-42"; panel = "main"; }} );
circuits = ( {circuits} );
''')
    with open(os.path.join(directory, "house.cfg"), "w", encoding="ascii") as f:
        f.write("house = { supply_percent = 100.0; source_ohms = 0.001; neutral_ohms = 0.001; };\n")
    with open(os.path.join(directory, "delivery.cfg"), "w", encoding="ascii") as f:
        f.write(f'broker = {{ host = "127.0.0.1"; port = {broker_port}; }};\n')


def unix(rfc3339):
    return datetime.datetime.fromisoformat(rfc3339.replace("Z", "+00:00")).timestamp()


def beginning(truth):
    """wall clock at the house's second 0, and house seconds per second"""
    with open(truth, encoding="utf-8") as f:
        b = json.loads(f.readline())
    return unix(b["time"]), b["speed"]


def over(truth, seconds):
    wall, speed = beginning(truth)
    sys.exit(time.time() < wall + seconds / speed)


def heard(path):
    """(topic's last words, message) in order, of what mosquitto_sub printed"""
    out = []
    with open(path, encoding="utf-8") as f:
        for line in f:
            _, topic, payload = line.rstrip("\n").split("\t", 2)
            if payload.startswith("{"):
                out.append((topic.split("/")[2:], json.loads(payload)))
    return out


def staircase(messages, circuit, clock, first):
    """(second of the recording, amps) as published for a circuit; `first`: at the house's second 0"""
    wall, speed = clock
    return [(first + (unix(m["reading_at"]) - wall) * speed, m["amps"]) for topic, m in messages
            if topic[:2] == ["circuit", circuit] and m["amps"] is not None and m["reading_at"]]


def right_levels(trace, steps, slack):
    """How many published levels lie within what was recorded around their second."""
    good = 0
    for second, amps in steps:
        least, most = trace.range(second - slack, second + slack)
        good += least / VOLTS * 0.97 - 0.05 <= amps <= most / VOLTS * 1.03 + 0.05
    return good


def held_wh(steps, end):
    """Energy of the staircase: a level holds until the next."""
    steps = [s for s in steps if s[0] < end] + [(end, 0.0)]
    return sum(a * VOLTS * (t2 - t1) for (t1, a), (t2, _) in zip(steps, steps[1:])) / 3600.0


def check_appliance(trace, parts, clock, messages):
    """One appliance's day. Returns what is wrong, and prints what was found."""
    levels = right = 0
    have = 0.0
    for circuit, first in parts:
        steps = staircase(messages, circuit, clock, first)
        if not steps or steps[0][0] - first > 300:
            return f"{circuit}: the first of {len(steps)} states came late"
        levels += len(steps)
        right += right_levels(trace, steps, 0.1 * clock[1])
        have += held_wh(steps, first + PART_SECONDS)
    want = trace.energy_wh()
    # 3 %, and the meter's last digit. States come half a second apart: an edge is heard anywhere within it,
    # and an inrush may be the level that is held through it
    runs, pause_hours = trace.runs(30.0), 0.5 * clock[1] / 3600
    squares = sum(2 * w * w for _, _, w in runs)
    inrush = sum(trace.range(begin, begin + 10)[1] - w for begin, _, w in runs)
    room = (0.03 * want + 0.005 * VOLTS * 24 + 3 * squares ** 0.5 * pause_hours / 12 ** 0.5
            + 0.5 * max(0.0, inrush) * pause_hours)
    print(f"  {levels} states, {right} as recorded; {have:.0f} Wh heard, {want:.0f} Wh recorded (+-{room:.0f})")
    if right < 0.98 * levels:
        return "levels that were not recorded"
    if abs(have - want) > room:
        return "another energy"
    return None


def check_day(traces, out):
    clock, messages = beginning(out + "/day.truth"), heard(out + "/day.sub.log")
    days = {}
    for circuit, name, first in read_plan(out + "/day.plan"):
        days.setdefault(name, []).append((circuit, first))
    wrong = []
    for name, parts in days.items():
        print(name)
        found = check_appliance(Trace(os.path.join(traces, name)), parts, clock, messages)
        if found:
            wrong.append(f"{name}: {found}")
    if wrong:
        sys.exit("\n".join(wrong))


def check_one_run(trace, first, circuit, clock, messages):
    """One run at its own pace. Returns what is wrong, and prints what was told."""
    begin, end, watts = lone_run(trace)
    events = [m for topic, m in messages if topic == ["event"] and m.get("circuit") == circuit]
    at = lambda m: first + unix(m["time"]) - clock[0]
    on = [m for m in events if m["type"] == "load_on" and abs(at(m) - begin) < 5]
    off = [m for m in events if m["type"] == "load_off" and on and m["run"] == on[0]["run"]]
    print(f"  {end - begin} s at {watts / VOLTS:.2f} A: told "
          + ", ".join(f'{m["type"]} {m.get("stage", m.get("amps", ""))}' for m in events))
    steps = staircase(messages, circuit, clock, first)
    if right_levels(trace, steps, 3) < len(steps):
        return "a published level is none that was recorded then"
    if len(on) != 1 or abs(on[0]["amps"] - watts / VOLTS) > 0.08 * watts / VOLTS:
        return "its beginning was not told as it was"
    if len(off) != 1 or abs(off[0]["seconds"] - (end - begin)) > 5 or abs(at(off[0]) - end) > 5:
        return "its end was not told as it was"
    if any(m["type"] == "trip" and m["stage"] != "withdrawn" and m["probability"] >= 0.5 for m in events):
        return "an appliance that ended by itself was called a trip"
    return None


def check_run(traces, out):
    clock, messages = beginning(out + "/run.truth"), heard(out + "/run.sub.log")
    wrong = []
    for circuit, name, first in read_plan(out + "/run.plan"):
        print(name)
        found = check_one_run(Trace(os.path.join(traces, name)), first, circuit, clock, messages)
        if found:
            wrong.append(f"{name}: {found}")
    if wrong:
        sys.exit("\n".join(wrong))


if __name__ == "__main__":
    verb, rest = sys.argv[1], sys.argv[2:]
    if verb == "pick":
        pick(rest[0], int(rest[1]), rest[2])
    elif verb == "site":
        make_site(rest[0], rest[1], int(rest[2]), int(rest[3]), rest[4])
    elif verb == "over":
        over(rest[0], float(rest[1]))
    elif verb == "check-day":
        check_day(*rest)
    elif verb == "check-run":
        check_run(*rest)
