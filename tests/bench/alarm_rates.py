"""alarm_rates.py EVENTS.. - the figures by which alarm systems are judged (EEMUA 191; IEC 62682 16.4), out of
the events of one or more sites (JSON lines, as foretrip replay writes them, one file a site).

Raised: changes to `unacknowledged`. Peak: the most in 10 minutes. Flood: more than 10 in 10 minutes. Standing: raised
and not returned for more than 24 h. Matters: a warning of a circuit and the opening that it warned of, raised while the
warning stood, counted once. Goal of our own: under 2 a day and site, no flood.
"""
import collections
import datetime
import json
import sys


def seconds(text):
    return datetime.datetime.fromisoformat(text.replace("Z", "+00:00")).timestamp()


def judge(path):
    first = last = None
    joined = 0
    raised, kinds, standing, stale = [], collections.Counter(), {}, 0
    for line in open(path):
        e = json.loads(line)
        last = seconds(e["time"])
        first = last if first is None else first
        if e["type"] != "alarm":
            continue
        if e["state"] == "unacknowledged":
            raised.append(last)
            kinds[e["kind"]] += 1
            joined += e["kind"] == "trip" and str(e.get("circuit")) + ".near_overload" in standing
            standing.setdefault(e["alarm"], last)
        elif e["alarm"] in standing and e["state"] != "acknowledged":
            stale += last - standing.pop(e["alarm"]) > 86400
    stale += sum(last - t > 86400 for t in standing.values())
    peak = left = 0
    for right, t in enumerate(raised):
        while t - raised[left] > 600:
            left += 1
        peak = max(peak, right - left + 1)
    days = (last - first) / 86400 if last else 0.0
    return max(days, 1e-9), len(raised), joined, peak, stale, kinds


def main():
    days = count = stale = joined = 0
    peak, kinds = 0, collections.Counter()
    print("%-40s %6s %8s %8s %6s %8s" % ("site", "days", "a day", "matters", "peak", "over 24h"))
    for path in sys.argv[1:]:
        d, n, j, p, s, k = judge(path)
        print("%-40s %6.1f %8.2f %8.2f %6d %8d" % (path[-40:], d, n / d, (n - j) / d, p, s))
        days, count, joined, stale, peak = days + d, count + n, joined + j, stale + s, max(peak, p)
        kinds += k
    print("%-40s %6.1f %8.2f %8.2f %6d %8d" % ("all", days, count / days, (count - joined) / days, peak, stale))
    for kind, n in kinds.most_common():
        print("  %-24s %6.2f a day" % (kind, n / days))


main()
