"""alarm_rates.py [--truth] EVENTS.. - the figures by which alarm systems are judged (EEMUA 191; IEC 62682 16.4), out
of the events of one or more sites (JSON lines, as foretrip replay writes them, one file a site).

Raised: changes to `unacknowledged`, and each time that what to do has changed (`changed`: advice) and people are told
once more; alerts, which ask for nothing to be done, are counted apart. Alarms: the same, an alarm that took the place of another (`taken_by`) counted once with it. Peak: the most in 10 minutes; a flood is more than
10. Standing: raised and not returned for more than 24 h. Goal of our own: under 2 alarms a day and site, no flood.
--truth: the truth.json beside each file (trial.py) says what the alarms came to: how many of the trips told were none,
how many warnings were followed by an opening within two hours, and of the overload trips how many had an alarm, and how
many an alarm or an alert, that stood 30 s before.
"""
import collections
import datetime
import json
import os
import sys


def seconds(text):
    return datetime.datetime.fromisoformat(text.replace("Z", "+00:00")).timestamp()


class Site:
    def __init__(self, path):
        self.path, self.kinds, self.alerts, self.taken, self.stale = path, collections.Counter(), 0, 0, 0
        self.raised, self.spans, standing, first, last = [], [], {}, None, None
        for line in open(path):
            e = json.loads(line)
            last = seconds(e["time"])
            first = last if first is None else first
            if e["type"] != "alarm":
                continue
            alert, key = e.get("alert", False), e["alarm"]
            if e["state"] == "unacknowledged":
                if e.get("changed") == "advice":
                    self.raised.append(last)
                    self.kinds[e["kind"]] += 1
                if e.get("changed") or (key in standing and standing[key][1] == alert):
                    continue  # its words have changed
                self.close(standing, key, last)
                standing[key] = (last, alert, e["kind"], e.get("circuit"))
                self.alerts += alert
                if not alert:
                    self.raised.append(last)
                    self.kinds[e["kind"]] += 1
            elif e["state"] != "acknowledged" and key in standing:
                self.taken += bool(e.get("taken_by")) and not alert
                self.close(standing, key, last)
        for key in list(standing):
            self.close(standing, key, last)
        self.days = max((last - first) / 86400 if last else 0.0, 1e-9)
        self.peak = left = 0
        for right, t in enumerate(self.raised):
            while t - self.raised[left] > 600:
                left += 1
            self.peak = max(self.peak, right - left + 1)

    def close(self, standing, key, now):
        if key in standing:
            begun, alert, kind, circuit = standing.pop(key)
            self.stale += now - begun > 86400 and not alert
            self.spans.append((begun, now, alert, kind, circuit))


def judge_by_truth(site, sums):
    truth = json.load(open(os.path.join(os.path.dirname(site.path), "truth.json")))
    openings = [(o["circuit"], truth["t_base"] + o["opened_at"], o) for o in truth["openings"]]
    for begun, end, alert, kind, circuit in site.spans:
        if kind == "trip" and circuit and not any(
                t - 5 <= begun <= t + o["restored_at"] - o["opened_at"] and (c == circuit or o["cause"] == "upstream_open")
                for c, t, o in openings):
            sums["trips told that were none"] += 1
        if kind == "near_overload":
            said = "alerts" if alert else "warnings"
            sums[said] += 1
            sums[said + " with an opening within 2 h"] += any(c == circuit and 0 < t - begun < 7200 for c, t, o in openings)
    for c, t, o in openings:
        if o["cause"] == "overload":
            stood = [s for s in site.spans if s[3] == "near_overload" and s[4] == c and s[0] <= t - 30 and s[1] >= t - 1]
            before = [s for s in site.spans if s[3] == "near_overload" and s[4] == c and s[0] <= t - 30 <= s[1]]
            sums["overload trips"] += 1
            sums["overload trips with an alarm 30 s before"] += any(not s[2] for s in stood)
            sums["overload trips with an alarm or an alert 30 s before"] += bool(before)


def main():
    with_truth = "--truth" in sys.argv
    sites = [Site(path) for path in sys.argv[1:] if path != "--truth"]
    all_kinds = sum((s.kinds for s in sites), collections.Counter())
    names = [k for k, _ in all_kinds.most_common()]
    form = "%-30s %5s %7s %7s %7s %5s %8s" + " %8s" * len(names)
    print(form % ("site", "days", "raised", "alarms", "alerts", "peak", "over 24h", *(k[:8] for k in names)))

    def row(name, group):
        days = sum(s.days for s in group)
        raised, taken = sum(len(s.raised) for s in group), sum(s.taken for s in group)
        each = ["%.2f" % (sum(s.kinds[k] for s in group) / days) for k in names]
        print(form % (name[-30:], "%.1f" % days, "%.2f" % (raised / days), "%.2f" % ((raised - taken) / days),
                      "%.2f" % (sum(s.alerts for s in group) / days), max(s.peak for s in group),
                      sum(s.stale for s in group), *each))
    for s in sites:
        row(s.path, [s])
    row("all, a day", sites)
    if with_truth:
        sums = collections.Counter()
        for s in sites:
            judge_by_truth(s, sums)
        for k, n in sums.items():
            print("%-60s %5d" % (k, n))


main()
