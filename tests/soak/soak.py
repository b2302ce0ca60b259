"""soak.py BUILD days|hour - what the gateway needs when it runs for long: memory, descriptors, polls, the record.

days   30 days of simulated time, as fast as it goes: the busy house of the bench (42 circuits, once a second) through
       the engine into a record that keeps 10 days of readings, with a commit a second as the daemon does (soak_days.c).
       SOAK_DAYS sets another number; SOAK_HOUSE=usual takes the demonstration's house instead, in which people live as usual
       (without the script of mishaps that is played there).
       Readings may be there for as long as they are kept, and those around trips that are promised for ever, which are reckoned
       from the trips in the record; of the rest of it, what goes at its age may not grow, nor what is promised for longer any
       faster than at first (why: docs/method/results.md). An ordinary house's record may not grow at all.
       TMPDIR in memory (/dev/shm) takes away the wait for the disk at each commit, two thirds of the time.
hour   an hour of real time: the daemon on the same house, with a broker that is away for a while every ten minutes,
       four clients that ask the page without a pause, 200 commands a minute and a reload every quarter. SOAK_SECONDS
       sets another length.

Prints what was measured and exits 1 when something is not as planned. Nothing else may end the run: the daemon, the
house and the broker are this program's own children.
"""
import json
import os
import re
import shutil
import signal
import socket
import sqlite3
import subprocess
import sys
import tempfile
import threading
import time
import urllib.request

HERE = os.path.dirname(os.path.abspath(__file__))
sys.path[:0] = [os.path.join(HERE, "..", "bench"), os.path.join(HERE, "..", "..", "deploy")]
import site_42  # noqa: E402
from ports import free_port  # noqa: E402

HOUSE = os.path.join(HERE, "..", "bench", "house.cfg")
DEMO = os.path.join(HERE, "..", "..", "config", "demo")
GROWTH_KIB = 512      # that a process may be larger at the end than it was after its first tenth
MOST_DESCRIPTORS = 4  # by which the highest and the lowest may differ once nobody is connected
KEPT_DAYS = 10       # of readings and of events of loads, in the 30 days
LATE_DAYS = 1.5      # by which they may stay longer: what is past its age goes a day at a time, four times a day
MOST_SIZE_RATIO = 1.2
DAY_MS = 86400000
FREEZE_BEFORE_MS, FREEZE_AFTER_MS = 30 * 60000, 10 * 60000  # around a trip, kept for ever (docs/configuration.md)


def status_of(pid):
    """resident KiB, anonymous KiB, open descriptors"""
    with open("/proc/%d/status" % pid) as f:
        text = f.read()
    kib = [int(re.search(r"^%s:\s+(\d+)" % name, text, re.M).group(1)) for name in ("VmRSS", "RssAnon")]
    return kib[0], kib[1], len(os.listdir("/proc/%d/fd" % pid))


class Series:
    def __init__(self):
        self.rows = []  # time, rss, anon, descriptors

    def take(self, pid):
        self.rows.append((time.monotonic(),) + status_of(pid))

    def after_start(self):
        return self.rows[len(self.rows) // 10:]

    def growth_kib(self):
        """the median of the last tenth over that of the first after the start"""
        rows = self.after_start()
        n = max(1, len(rows) // 10)
        middle = lambda part: sorted(r[2] for r in part)[len(part) // 2]
        return middle(rows[-n:]) - middle(rows[:n])

    def by_tenths(self):
        n = max(1, len(self.rows) // 10)
        return " ".join("%.1f" % (sorted(r[2] for r in self.rows[i * n:(i + 1) * n])[n // 2] / 1024.0) for i in range(10)
                        if len(self.rows) >= (i + 1) * n)

    def most_mib(self):
        return max(r[1] for r in self.rows) / 1024.0


class Verdict:
    def __init__(self):
        self.missed = 0

    def say(self, what, value, good):
        print("%-66s %s%s" % (what, value, "" if good else "   NOT AS PLANNED"), flush=True)
        self.missed += not good


def load():
    with open("/proc/loadavg") as f:
        return f.read().split()[0]


# ---- 30 days ----


def read_only(record):
    return sqlite3.connect("file:%s?mode=ro" % record, uri=True)


GOES = "(type IN ('load_on', 'load_off') OR type = 'trip' AND subject IN (SELECT id FROM trips WHERE stage = 'withdrawn'))"


def parts_of(record):
    """bytes of what is past its age some day of the run, and of what is promised for longer; a table that has both is shared out
    by the bytes of its rows"""
    db = read_only(record)
    size, = db.execute("SELECT (SELECT * FROM pragma_page_count) * (SELECT * FROM pragma_page_size)").fetchone()
    pages = dict(db.execute("SELECT name, sum(pgsize) FROM dbstat GROUP BY name"))
    going, staying = db.execute("SELECT total(length(json)) FILTER (WHERE %s), total(length(json)) FILTER (WHERE NOT %s) FROM events" %
                                (GOES, GOES)).fetchone()
    old, young = db.execute("SELECT total(length(json)) FILTER (WHERE stage = 'withdrawn'), total(length(json))"
                            " FILTER (WHERE stage <> 'withdrawn') FROM trips").fetchone()
    db.close()
    kept = sum(pages.get(name, 0) for name in ("summaries", "frozen", "alarms", "sqlite_autoindex_alarms_1", "audit"))
    kept += sum(pages.get(name, 0) for name in ("events", "events_wall", "events_subject")) * staying / max(going + staying, 1)
    kept += sum(pages.get(name, 0) for name in ("trips", "trips_opened", "sqlite_autoindex_trips_1")) * young / max(old + young, 1)
    return size - kept, kept


def days_passed(record):
    try:
        db = read_only(record)
        first, last = db.execute("SELECT (SELECT wall_ms FROM events ORDER BY seq LIMIT 1), (SELECT wall_ms FROM events ORDER BY seq DESC LIMIT 1)").fetchone()
        db.close()
        return (last - first) / DAY_MS if first else 0.0
    except sqlite3.Error:
        return 0.0


def covered_seconds(spans, begin, end):
    """seconds of begin .. end (excluded) that lie in any of the spans, both ends included"""
    total, done = 0, begin
    for a, b in sorted(spans):
        a, b = max(a, done), min(b, end - 1)
        if b >= a:
            total += b // 1000 - (a + 999) // 1000 + 1
            done = (b // 1000 + 1) * 1000
    return total


def readings_promised_around_trips(db, begin):
    """those of days that went, which are kept for the sake of a trip: of its circuit and of the panels' voltages"""
    end, = db.execute("SELECT (min(key) >> 20) * %d FROM days" % DAY_MS).fetchone()
    trips = db.execute("SELECT circuit, opened_ms FROM trips WHERE stage <> 'withdrawn'").fetchall()
    promised = 0
    for name, in db.execute("SELECT name FROM channels WHERE id IN (SELECT key & 1048575 FROM hours UNION SELECT key & 1048575 FROM days)"):
        spans = [(opened - FREEZE_BEFORE_MS, opened + FREEZE_AFTER_MS) for circuit, opened in trips
                 if name.startswith(circuit + ".") or ".volts_" in name]
        promised += covered_seconds(spans, begin, end)
    return promised


def days(build, directory, verdict):
    wanted = int(os.environ.get("SOAK_DAYS", "30"))
    usual = os.environ.get("SOAK_HOUSE") == "usual"
    site = directory + "/site"
    record = directory + "/record.db"
    if usual:
        shutil.rmtree(site)
        shutil.copytree(DEMO, site)
        with open(site + "/house.cfg") as f:
            text = re.sub(r"^\s*script_again_seconds[^\n]*|^script = \(.*?^\);", "", f.read(), flags=re.M | re.S)
        with open(site + "/house.cfg", "w") as f:
            f.write(text)
    with open(site + "/record.cfg", "w") as f:
        f.write("keep = { readings_days = %d; loads_days = %d; free_mb = 1; };\n" %
                (KEPT_DAYS, KEPT_DAYS))
    begun = time.monotonic()
    fifo = directory + "/readings"
    os.mkfifo(fifo)
    house = subprocess.Popen([build + "/foretrip-house", "--config", site, "--house", site + "/house.cfg" if usual else HOUSE, "--record", fifo,
                              "--seconds", str(wanted * 86400)], stdout=subprocess.DEVNULL)
    engine = subprocess.Popen([build + "/tests/soak/soak_days", site, fifo, record])
    series, sizes, before = Series(), [], None
    while engine.poll() is None:
        try:
            series.take(engine.pid)
            sizes.append(os.path.getsize(record))
        except (OSError, AttributeError):
            pass
        if before is None and len(sizes) % 10 == 9 and days_passed(record) >= 2 * KEPT_DAYS:
            before = days_passed(record), parts_of(record)
        time.sleep(0.5)
    if engine.returncode != 0 or house.wait() != 0:
        sys.exit("the engine ended with %s, the house with %s" % (engine.returncode, house.returncode))
    took = time.monotonic() - begun
    verify = subprocess.run([build + "/foretrip", "verify", "--config", site, "--database", record], capture_output=True, text=True)
    db = read_only(record)
    events, = db.execute("SELECT count(*) FROM events").fetchone()
    oldest_load, newest_load = db.execute("SELECT min(wall_ms), max(wall_ms) FROM events WHERE type = 'load_on'").fetchone()
    # the channels that are read (their ids are the low bits of the pieces' keys); what is kept around trips beyond its age is in it too
    channels, = db.execute("SELECT count(DISTINCT key & 1048575) FROM (SELECT key FROM hours UNION ALL SELECT key FROM days)"
                           " WHERE key & 1048575 > 0").fetchone()
    circuits, = db.execute("SELECT count(*) FROM channels WHERE name LIKE '%.amps'").fetchone()
    kept = int(re.search(r"(\d+) readings", verify.stdout).group(1)) / (channels * 86400.0)
    size = os.path.getsize(record)
    print("%d days of %d circuits, %.0f s, %.0f times as fast as they pass; load %s" %
          (wanted, circuits, took, wanted * 86400 / took, load()))
    verdict.say("resident memory of the engine with its record, at the most", "%.1f MiB" % series.most_mib(), True)
    verdict.say("its own memory in MiB, tenth by tenth", series.by_tenths(), True)
    verdict.say("the last tenth over the first after the start", "%+d KiB" % series.growth_kib(),
                series.growth_kib() < GROWTH_KIB)
    counts = {r[3] for r in series.after_start()}
    verdict.say("open descriptors", "%d to %d" % (min(counts), max(counts)), max(counts) - min(counts) <= 2)
    verdict.say("events", "%d" % events, events > 0)
    verdict.say("the record can be read, every piece of it", (verify.stdout + verify.stderr).strip().splitlines()[-1], verify.returncode == 0)
    verdict.say("size of the record at the end", "%.1f MB" % (size / 1e6), True)
    half = sizes[len(sizes) // 2:]
    verdict.say("the same over the second half of the run, largest over smallest", "%.2f" % (max(half) / min(half)),
                not usual or wanted < 2 * KEPT_DAYS or max(half) < MOST_SIZE_RATIO * min(half))
    if before:
        at, (going_before, kept_before) = before
        going, lasting = parts_of(record)
        verdict.say("of that, what goes at its age: at the end over day %.0f" % at, "%.1f MB, %.2f" % (going / 1e6, going / going_before),
                    going < MOST_SIZE_RATIO * going_before)
        verdict.say("what is promised for longer; a day of the run: at the end over day %.0f" % at, "%.1f MB, %.2f" %
                    (lasting / 1e6, lasting / wanted / (kept_before / at)), lasting / wanted < MOST_SIZE_RATIO * kept_before / at)
    begin, = db.execute("SELECT wall_ms FROM events ORDER BY seq LIMIT 1").fetchone()
    around = readings_promised_around_trips(db, begin // DAY_MS * DAY_MS) / (channels * 86400.0)
    verdict.say("days of readings kept, without those promised around trips", "%.3f, %.3f" % (kept - around, around),
                wanted <= KEPT_DAYS or KEPT_DAYS <= kept - around <= KEPT_DAYS + LATE_DAYS)
    verdict.say("days of events of loads", "%.2f" % ((newest_load - oldest_load) / DAY_MS),
                wanted <= KEPT_DAYS or newest_load - oldest_load <= (KEPT_DAYS + LATE_DAYS) * DAY_MS)


# ---- an hour ----


def ask_page(port, stop, counts):
    paths = ["/", "/api/v1/site", "/api/v1/circuits", "/api/v1/alarms", "/api/v1/status",
             "/api/v1/circuits/main-05/history?points=300", "/api/v1/events", "/api/v1/loads"]
    n = 0
    while not stop.is_set():
        try:
            with urllib.request.urlopen("http://127.0.0.1:%d%s" % (port, paths[n % len(paths)]), timeout=20) as r:
                r.read()
            counts["asked"] += 1
        except OSError:
            counts["unanswered"] += 1  # while it reloads
        n += 1
        stop.wait(0.05)


def command(port, stop, counts):
    while not stop.is_set():
        p = subprocess.run(["mosquitto_pub", "-p", str(port), "-t", "foretrip/bench/command/status", "-q", "1", "-m",
                            json.dumps({"id": "soak", "reply_to": "soak/answer"})], stderr=subprocess.DEVNULL)
        counts["commands"] += p.returncode == 0
        stop.wait(0.3)


def metrics(path):
    found = {}
    try:
        with open(path) as f:
            for line in f:
                if not line.startswith("#"):
                    name, value = line.rsplit(" ", 1)
                    found[name.split("{")[0]] = found.get(name.split("{")[0], 0.0) + float(value)
    except OSError:
        pass
    return found


def start_broker(directory, port):
    with open(directory + "/broker.conf", "w") as f:
        f.write("user %s\nlistener %d 127.0.0.1\nallow_anonymous true\nmax_queued_messages 0\n" %
                (subprocess.check_output(["id", "-un"], text=True).strip(), port))
    return subprocess.Popen([shutil.which("mosquitto") or "/usr/sbin/mosquitto", "-c", directory + "/broker.conf"],
                            stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)


def hour(build, directory, verdict, meter, broker_port):
    seconds = int(os.environ.get("SOAK_SECONDS", "3600"))
    site, state, gauges = directory + "/site", directory + "/state", directory + "/metrics"
    page = free_port()
    with open(site + "/page.cfg", "w") as f:
        f.write("page = { port = %d; };\n" % page)
    broker = start_broker(directory, broker_port)
    house = subprocess.Popen([build + "/foretrip-house", "--config", site, "--house", HOUSE, "--tcp",
                              "127.0.0.1:%d" % meter], stdout=subprocess.DEVNULL)
    time.sleep(1)
    log = open(directory + "/gateway.log", "w")
    gateway = subprocess.Popen([build + "/foretripd", "--config", site, "--state", state, "--metrics", gauges],
                               stderr=log)
    stop, counts = threading.Event(), {"asked": 0, "unanswered": 0, "commands": 0}
    workers = [threading.Thread(target=ask_page, args=(page, stop, counts)) for _ in range(4)]
    workers.append(threading.Thread(target=command, args=(broker_port, stop, counts)))
    for w in workers:
        w.start()
    series, loads, missed, turns = Series(), [], 0.0, []
    begun, outages, reloads = time.monotonic(), 0, 0
    away_until = None
    try:
        while time.monotonic() - begun < seconds:
            if gateway.poll() is not None:
                sys.exit("the gateway ended with %d:\n%s" % (gateway.returncode, open(directory + "/gateway.log").read()))
            elapsed = time.monotonic() - begun
            series.take(gateway.pid)
            loads.append(float(load()))
            now = metrics(gauges)
            turns.append(now.get("foretrip_turn_longest_seconds", 0.0))
            if away_until is None and elapsed // 600 > outages:
                broker.terminate()
                broker.wait()
                outages += 1
                away_until = elapsed + 30
            elif away_until is not None and elapsed > away_until:
                broker = start_broker(directory, broker_port)
                away_until = None
            if elapsed // 900 > reloads:
                missed += now.get("foretrip_bus_missed_total", 0.0)  # its counters begin anew
                gateway.send_signal(signal.SIGHUP)
                reloads += 1
            time.sleep(5)
    finally:
        stop.set()
        for w in workers:
            w.join()
    time.sleep(45)  # the outbox empties, the clients' connections go
    series.take(gateway.pid)
    last = metrics(gauges)
    missed += last.get("foretrip_bus_missed_total", 0.0)
    # a reload opens the bus anew: its grid may begin a second later
    gateway.terminate()
    code = gateway.wait()
    for p in (house, broker):
        p.terminate()
        p.wait()
    record = state + "/foretrip.db"
    verify = subprocess.run([build + "/foretrip", "verify", "--config", site, "--database", record], capture_output=True, text=True)
    loads.sort()
    rows = last.get("foretrip_frames_total", 0.0)
    size = os.path.getsize(record)
    print("%d s of real time, 42 circuits at 1 Hz, load of the machine %.1f at the median, %.1f at the most" %
          (seconds, loads[len(loads) // 2], loads[-1]))
    verdict.say("asked of the page, unanswered while it reloaded", "%d, %d" % (counts["asked"], counts["unanswered"]),
                counts["asked"] > seconds)
    verdict.say("commands by MQTT", "%d" % counts["commands"], counts["commands"] > seconds)
    verdict.say("times the broker was away, reloads", "%d, %d" % (outages, reloads), True)
    verdict.say("resident memory, at the most", "%.1f MiB" % series.most_mib(), True)
    verdict.say("its own memory in MiB, tenth by tenth", series.by_tenths(), True)
    verdict.say("the last tenth over the first after the start", "%+d KiB" % series.growth_kib(),
                series.growth_kib() < GROWTH_KIB)
    rows_after = series.after_start()
    verdict.say("open descriptors, with the clients' connections", "%d to %d, at the end %d" %
                (min(r[3] for r in rows_after), max(r[3] for r in rows_after), rows_after[-1][3]),
                rows_after[-1][3] <= min(r[3] for r in rows_after) + MOST_DESCRIPTORS)
    verdict.say("frames of readings", "%d of %d" % (rows, seconds), rows >= seconds - 5 * (reloads + 1))
    verdict.say("polls missed (late by more than half a period)", "%d" % missed, missed == 0)
    verdict.say("longest turn of the engine", "%.3f s" % max(turns), max(turns) < 1.0)
    verdict.say("readings, records lost; reports dropped", "%d, %d; %d" %
                (last.get("foretrip_record_lost_readings_total", -1), last.get("foretrip_record_lost_total", -1),
                 last.get("foretrip_reports_dropped_total", -1)),
                last.get("foretrip_record_lost_readings_total") == 0 and last.get("foretrip_record_lost_total") == 0 and
                last.get("foretrip_reports_dropped_total") == 0)
    verdict.say("messages that wait at the end", "%d" % last.get("foretrip_outbox_messages", -1),
                last.get("foretrip_outbox_messages", -1) <= 2)
    verdict.say("size of the record, bytes a reading of amps", "%.1f MB, %.2f" % (size / 1e6, size / (42.0 * rows)), True)
    verdict.say("the record can be read, every piece of it", (verify.stdout + verify.stderr).strip().splitlines()[-1], verify.returncode == 0)
    verdict.say("ended by SIGTERM with", "%d" % code, code == 0)
    with open(directory + "/gateway.log") as f:
        print("what it said, by kind:")
        kinds = {}
        for line in f:
            kind = re.sub(r"\d+", "N", line.strip())[:110]
            if not kind.startswith("<6>"):
                kinds[kind] = kinds.get(kind, 0) + 1
        for kind, n in sorted(kinds.items(), key=lambda k: -k[1])[:20]:
            print("  %5d %s" % (n, kind))


def main():
    build, what = os.path.abspath(sys.argv[1]), sys.argv[2]
    verdict = Verdict()
    directory = tempfile.mkdtemp(prefix="foretrip-soak.")
    try:
        os.mkdir(directory + "/site")
        meter, broker = free_port(), free_port()
        site_42.write(directory + "/site", meter, broker)
        if what == "days":
            days(build, directory, verdict)
        else:
            hour(build, directory, verdict, meter, broker)
    finally:
        if not os.environ.get("KEEP"):
            shutil.rmtree(directory)
    sys.exit(verdict.missed > 0)


main()
