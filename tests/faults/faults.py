"""faults.py BUILD [--write] [NAME...] - the gateway under every fault that docs/reliability.md names.

Each fault is played on a gateway of its own (rig.py). What was promised stands here; what was seen is put together
from what the gateway did, and both must be what the page says. --write writes them into the page."""
import concurrent.futures
import os
import random
import re
import signal
import socket
import sqlite3
import ssl
import subprocess
import sys
import threading
import time
import urllib.request

from rig import Between, Rig, Seen, Trouble, free_port, make_certificate, times
import rig as rigs

PAGE = os.path.join(rigs.HERE, "..", "..", "docs", "reliability.md")
BEGIN, END = "<!-- made by tests/faults/faults.py -->\n", "<!-- end -->\n"
FAULTS = []  # name, the fault, what is promised, how it is played, options of the rig
DAY_MS = 86400000
PATIENCE = rigs.PATIENCE


def fault(words, promised, **options):
    def take(function):
        FAULTS.append((function.__name__, words, promised, function, options))
        return function
    return take


def all_of(*words):
    return "; ".join(words)


# ---- the broker ----


@fault("broker down", "events are on disk and wait there; every one is delivered, in order, when it is back")
def broker_down(r):
    r.start_gateway()
    r.stop(r.broker)
    r.until_said("messages wait")
    r.more_events(10)
    said = r.once_each("messages wait")
    r.start_broker()
    seen = r.delivered()
    r.ends()
    return all_of("events went on", said, seen)


@fault("broker slow: 5 kB/s, and late", "nobody waits for it; every event is delivered, in order")
def broker_slow(r):
    slow = Between(r.port, "slow")
    r.write("delivery.cfg", 'broker = { host = "127.0.0.1"; port = %d; };\n' % slow.port)
    r.start_gateway()
    r.more_events(10)
    r.until("the witness hears of it", lambda: os.path.getsize(r.heard) > 0)
    r.stop(r.house)  # nothing new comes; what is there has to get through
    seen = r.delivered()
    r.ends()
    slow.close()
    return all_of("events went on", seen)


@fault("broker full: it takes the connection and refuses each message for want of room",
       "nothing is given up; every event is delivered, in order, when there is room")
def broker_full(r):
    full = Between(r.port, "full")
    r.write("delivery.cfg", 'broker = { host = "127.0.0.1"; port = %d; };\n' % full.port)
    r.start_gateway()
    r.more_events(10)
    r.until("messages are refused", lambda: full.refused > 3)
    said = times(r.said("has no room"))
    port = full.port
    full.close()
    r.stop(r.witness)
    r.stop(r.broker)
    r.start_broker(port)
    r.start_witness(port)
    seen = r.delivered()
    r.ends()
    return all_of("events went on", said, seen)


@fault("broker's certificate expired", "it is not trusted, which is said; events wait and are delivered when it is renewed")
def broker_certificate_expired(r):
    r.stop(r.witness)
    r.stop(r.broker)
    plain, tls = r.port, free_port()
    make_certificate(r, "broker", 100)
    lines = ["listener %d 127.0.0.1" % tls, "certfile %s/broker.pem" % r.site, "keyfile %s/broker.key" % r.site]
    r.start_broker(plain, *lines)
    r.start_witness(plain)
    r.write("delivery.cfg", 'broker = { host = "localhost"; port = %d; tls = { ca = "%s/broker.pem"; }; };\n' %
            (tls, r.site))
    r.start_gateway()
    r.until_said("messages wait")
    r.more_events(5)
    said = times(r.said("TLS: certificate verify failed; messages wait"))
    early = times(r.said("certificate in .* ended"))
    if os.path.getsize(r.heard):
        raise Seen("something was delivered over a connection that is not to be trusted")
    r.stop(r.broker)
    make_certificate(r, "broker", 0)
    r.start_broker(plain, *lines)
    r.gateway.send_signal(signal.SIGHUP)  # it is its own authority: read anew
    seen = r.delivered()
    r.ends()
    return all_of("nothing sent", said, "at the start: certificate ended, " + early, seen)


@fault("page's certificate expired", "it is said; the page is served, browsers refuse it; watching goes on", broker=False)
def page_certificate_expired(r):
    port = free_port()
    make_certificate(r, "page", 100)
    r.write("delivery.cfg", "")
    r.write("page.cfg", 'page = { port = %d; tls = { cert = "page.pem"; key = "page.key"; }; };\n' % port)
    r.start_gateway()
    r.until("the page is served", lambda: rigs.listens(port))
    said = times(r.said("the certificate in .* ended [0-9]+ days ago"))
    url = "https://localhost:%d/api/v1/status" % port
    strict, lax = ssl.create_default_context(cafile=r.site + "/page.pem"), ssl._create_unverified_context()
    try:
        urllib.request.urlopen(url, timeout=20, context=strict).read()
        raise Seen("a client that looks at the date was satisfied")
    except urllib.error.URLError as e:
        if "expired" not in str(e):
            raise
    served = urllib.request.urlopen(url, timeout=20, context=lax).status
    r.more_events(3)
    r.ends()
    return all_of(said, "served (%d), refused by a client that looks" % served, "events went on")


# ---- the disk and the record ----


@fault("disk full", "said and told; warnings and events go out at once, marked as not stored, and are stored when there is "
                    "room; nothing is lost")
def disk_full(r):
    r.start_gateway()
    r.more_events(5)
    lost = r.newest()
    r.trouble.set(disk=Trouble.FULL)
    r.until_said("the disk is full.*kept in memory")
    r.hears_more(5)
    told = r.until("it is told", lambda: "record_at_risk" in open(r.heard).read())
    said = times(r.said("kept in memory and written when it can be"))
    r.trouble.set(disk=Trouble.GOOD)
    r.until_said("writing again; lost meanwhile: 0 frames of readings, 0 records")
    r.until("they are stored", lambda: r.newest() > lost)
    seen = r.delivered()
    r.ends()
    return all_of(said, "told" if told else "not told", "events went out meanwhile", "none lost", seen)


@fault("disk read-only", "as with a full one; what waits in memory is written when it can be", )
def disk_read_only(r):
    r.start_gateway()
    r.more_events(5)
    before = r.newest()
    r.trouble.set(disk=Trouble.READ_ONLY)
    r.until_said("kept in memory")
    r.hears_more(5)
    said = r.once_each("kept in memory and written when it can be")
    r.trouble.set(disk=Trouble.GOOD)
    r.until_said("writing again; lost meanwhile: 0 frames of readings, 0 records")
    r.until("they are stored", lambda: r.newest() > before)
    aside = r.said("a new one begins")
    seen = r.delivered()
    r.ends()
    return all_of(said, "events went out meanwhile", "none lost", "record %s" % ("set aside" if aside else "kept"), seen)


@fault("disk slow: each write and sync takes 0.2 s", "no bus waits for it; events come later, none is lost")
def disk_slow(r):
    r.start_gateway()
    r.trouble.set(disk=Trouble.SLOW, disk_ms=200)
    r.until("writes are slow", lambda: r.trouble.get("disk_refused") > 40)
    r.more_events(5)
    dropped = r.said("cannot keep up")
    r.trouble.set(disk=Trouble.GOOD)
    r.more_events(5)
    seen = r.delivered()
    r.ends()
    return all_of("events went on", "no report of a bus dropped" if not dropped else "reports dropped", seen)


def scribble(r):
    """over all pages but the first of what is in the file; the log is in the file before"""
    path = r.state + "/foretrip.db"
    db = sqlite3.connect(path, timeout=20)
    r.until("the log goes into the file", lambda: db.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()[0] == 0)
    with open(path, "r+b") as f:
        size = f.seek(0, 2)
        f.seek(4096)
        f.write(random.Random(5).randbytes(size - 4096))
    db.execute("PRAGMA application_id = 7")  # another writer: what the gateway holds in memory is stale
    db.close()


@fault("database damaged, found at the start",
       "set aside, kept and told; a new one begins, and numbers go on rising")
def database_damaged_at_start(r):
    r.start_gateway()
    r.more_events(5)
    r.gateway.kill()
    r.gateway.wait()
    r.gateway = None
    scribble(r)
    r.start_gateway()
    told = r.until("it is told", lambda: "record_at_risk" in open(r.heard).read())
    said = times(r.said("a new one begins"))
    kept = [n for n in os.listdir(r.state) if ".damaged-" in n]
    seen = r.delivered()
    r.ends()
    return all_of(said, "told" if told else "not told", "the old one kept" if kept else "the old one gone", seen)


@fault("database damaged while it runs", "the same, without a stop; what waits to be written is written to the new one")
def database_damaged_while_running(r):
    r.start_gateway()
    r.more_events(20)
    scribble(r)
    r.until_said("a new one begins")
    r.more_events(5)
    told = r.until("it is told", lambda: "record_at_risk" in open(r.heard).read())
    said = times(r.said("a new one begins"))
    r.ends()
    return all_of(said, "told" if told else "not told", "events went on")


# ---- the clock ----


def clock_step(r, ms, direction):
    r.start_gateway()
    r.more_events(5)
    before = r.newest()
    r.until("readings are on disk", lambda: r.ask("SELECT count(*) FROM readings")[0][0] > 0)
    now_ms = time.time() * 1000 + 60000  # those of before the step: as read, or packed by hours and days
    of_before = ("SELECT (SELECT count(*) FROM readings WHERE t < 16 * %d) + (SELECT count(*) FROM hours WHERE key < %d << 20)"
                 " + (SELECT count(*) FROM days WHERE key < %d << 20)" % (now_ms, now_ms / 3600000 + 1, now_ms / DAY_MS + 1))
    r.trouble.set(clock_ms=ms)
    r.until_said("was set %s by" % direction)
    r.more_events(10)
    sizes = re.findall(r"was set %s by ([0-9.]+) s" % direction, r.log())
    if any(abs(float(s) * 1000 - abs(ms)) > 2000 for s in sizes):
        raise Seen("said by how much: " + ", ".join(sizes))
    lost = r.ask("SELECT count(*) FROM events WHERE seq > %d AND json LIKE '%%meter_lost%%'" % before)[0][0]
    kept = r.ask(of_before)[0][0]
    seen = r.delivered()
    r.ends()
    return all_of(times(len(sizes)) + " with its size", "events went on",
                  "history kept" if kept > 0 else "history gone",
                  "no meter called lost" if lost == 0 else "meters called lost", seen)


@fault("clock set back by a day", "said; intervals, heat and alarms do not depend on it; numbers go on rising")
def clock_back(r):
    return clock_step(r, -DAY_MS, "back")


@fault("clock set forward by 30 days", "the same; no history goes")
def clock_forward(r):
    return clock_step(r, 30 * DAY_MS, "forward")


@fault("clock drifts: 2 % too fast", "nothing to be said: no interval is measured by it")
def clock_drifts(r):
    r.start_gateway()
    r.trouble.set(drift_from_ns=time.clock_gettime_ns(time.CLOCK_MONOTONIC), drift_ppm=20000)
    begun = time.monotonic()
    r.until("a while of it", lambda: time.monotonic() - begun > 12)
    r.more_events(10)
    said, lost = r.said("was set"), r.said("meter_lost")
    seen = r.delivered()
    r.ends()
    return all_of(times(said), "events went on", "no meter called lost" if not lost else "meters called lost", seen)


@fault("time zone changed (site.cfg, SIGHUP)", "times are kept in UTC: nothing moves in the record")
def time_zone(r):
    r.start_gateway()
    r.more_events(5)
    r.write("site.cfg", r.read("site.cfg").replace('timezone = "UTC"', 'timezone = "Pacific/Kiritimati"'))
    r.gateway.send_signal(signal.SIGHUP)
    r.until_said("the new configuration is in force")
    r.more_events(5)
    rows = [ms for ms, in r.ask("SELECT wall_ms FROM events ORDER BY seq")]
    jump = max([abs(b - a) for a, b in zip(rows, rows[1:])] + [0])
    seen = r.delivered()
    r.ends()
    return all_of("taken over", "no jump in the record" if jump < 300000 else "a jump of %d s" % (jump / 1000), seen)


# ---- the bus ----


@fault("bus babbles: bytes without end that nobody asked for",
       "no reading comes of it; it is said; readings come again when it stops")
def bus_babbles(r):
    r.start_gateway()
    r.stop(r.house)
    babbler = subprocess.Popen([sys.executable, rigs.HERE + "/babble.py", str(r.meter)])
    r.children.append(babbler)
    r.until("it babbles", lambda: rigs.listens(r.meter))
    r.until_said("bus: ")
    before = r.ask("SELECT coalesce(max(t), 0) FROM readings")[0][0]
    begun = time.monotonic()
    r.until("a while of it", lambda: time.monotonic() - begun > 15)
    # rows may be there, but empty ones: no load comes or goes out of noise
    noise = r.ask("SELECT count(*) FROM events WHERE type = 'load_on' AND wall_ms > %d" % ((time.time() - 10) * 1000))[0][0]
    r.stop(babbler)
    r.start_house()
    r.more_events(5)
    seen = r.delivered()
    r.ends()
    del before
    return all_of("said", "no load out of noise" if noise == 0 else "%d loads out of noise" % noise, "read again", seen)


@fault("bus down: the cable pulled, the meter off", "said and told as an alarm; read again when it is back")
def bus_down(r):
    r.write("rules.cfg", "site = { meter_lost_seconds = 10; };\n")
    r.start_gateway()
    r.stop(r.house)
    r.until("it is told", lambda: '"meter_lost"' in open(r.heard).read())
    before = r.newest()
    r.start_house()
    r.until("loads are seen again", lambda: r.ask(
        "SELECT count(*) FROM events WHERE type = 'load_on' AND seq > %d" % before)[0][0] > 0)
    seen = r.delivered()
    r.ends()
    return all_of("told as meter_lost", "read again", seen)


# ---- the machine ----


@fault("memory exhausted: every seventh allocation fails for ten seconds",
       "it lives; an event that could not be written down is said; it goes on when there is memory")
def memory_exhausted(r):
    r.start_gateway()
    r.more_events(5)
    r.trouble.set(memory_every=7)
    begun = time.monotonic()
    r.until("memory is refused for a while", lambda: time.monotonic() - begun > 10 and
            r.trouble.get("memory_refused") > 100)
    r.trouble.set(memory_every=0)
    r.more_events(10)
    lost = r.said("memory is short: an event of type [a-z_]+ is lost")
    seen = r.delivered()
    r.ends()
    return all_of("it lived", "events lost, each said" if lost else "no event lost", "events went on after it", seen)


@fault("file descriptors exhausted", "connections and files wait; it goes on, and by itself, when there are some again")
def descriptors_exhausted(r):
    port = free_port()
    r.write("page.cfg", "page = { port = %d; };\n" % port)
    r.start_gateway()
    r.more_events(3)
    pid = r.gateway.pid
    now = len(os.listdir("/proc/%d/fd" % pid))
    subprocess.run(["prlimit", "--pid", str(pid), "--nofile=%d:1024" % now], check=True)
    r.stop(r.broker)  # the line has to be made anew, which takes one
    r.stop(r.house)
    r.start_house()
    r.start_broker()
    for _ in range(5):
        try:
            urllib.request.urlopen("http://127.0.0.1:%d/api/v1/status" % port, timeout=2).read()
        except OSError:
            pass
    subprocess.run(["prlimit", "--pid", str(pid), "--nofile=1024:1024"], check=True)
    r.more_events(5)
    seen = r.delivered()
    r.until("the page answers", lambda: urllib.request.urlopen("http://127.0.0.1:%d/api/v1/status" % port, timeout=5).read())
    r.ends()
    return all_of("events went on", "the page answers again", seen)


@fault("a thread stuck (stopped as by a deadlock, 45 s)",
       "systemd's watchdog is no longer fed, which ends and restarts the service; the others go on meanwhile")
def thread_stuck(r):
    port = free_port()
    r.write("page.cfg", "page = { port = %d; };\n" % port)
    manager = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
    manager.bind(r.directory + "/notify")
    said = []

    def listen():  # all the time: whoever notifies waits while the socket is full
        while not said or said[-1]:
            said.append(manager.recv(4096))

    def fed():
        return sum(b"WATCHDOG=1" in message for message in said)
    threading.Thread(target=listen, daemon=True).start()
    r.start_gateway(environment={"NOTIFY_SOCKET": r.directory + "/notify", "WATCHDOG_USEC": "2000000"})
    r.until("the watchdog is fed", lambda: fed() > 3)
    freezer = r.run([sys.executable, os.path.join(rigs.HERE, "..", "scenario", "service.py"), "freeze", str(r.gateway.pid),
                     "page herald", "45"], stdout=open(r.directory + "/freezer.log", "w"), stderr=subprocess.STDOUT)
    r.until_said("page herald has not stirred for 30 s: it is stuck")
    before = fed()
    r.more_events(5)
    starved = fed() == before
    if freezer.poll() is not None:
        raise Seen("the thread was let go before it was seen")
    r.until_said("page herald stirs again")
    r.until("the watchdog is fed again", lambda: fed() > before)
    seen = r.delivered()
    r.ends()
    return all_of("said", "watchdog not fed" if starved else "watchdog fed", "events went on", "fed again when it stirred", seen)


# ---- hands ----


@fault("configuration half written, read again (SIGHUP)", "refused with file and line; the old one stays in force")
def configuration_half_written(r):
    r.start_gateway()
    whole = r.read("site.cfg")
    refused = 0
    for share in (0.1, 0.5, 0.9):
        r.write("site.cfg", whole[:int(len(whole) * share)])
        r.gateway.send_signal(signal.SIGHUP)
        refused += 1
        r.until("it is refused", lambda: r.said("the old one stays") == refused)
        r.more_events(2)
    named = r.said(r"site\.cfg:[0-9]+: ")
    r.write("site.cfg", whole)
    r.gateway.send_signal(signal.SIGHUP)
    r.until_said("the new configuration is in force")
    seen = r.delivered()
    r.ends()
    return all_of("refused at each of 3 cuts", "place named" if named >= 3 else "place not named", "events went on",
                  "the whole one taken over", seen)


@fault("configuration half written, found at the start", "refused with file and line, exit status 1; nothing is touched",
       broker=False)
def configuration_half_written_at_start(r):
    whole = r.read("site.cfg")
    codes, named = set(), 0
    for share in (0.0, 0.1, 0.5, 0.9):
        r.write("site.cfg", whole[:int(len(whole) * share)])
        r.start_gateway(wait=False)
        codes.add(r.gateway.wait(PATIENCE))
    named = r.said(r"site\.cfg:[0-9]+: ")
    made = os.path.exists(r.state + "/foretrip.db")
    return all_of("refused at each of 4 cuts with %s" % ", ".join(map(str, sorted(codes))),
                  "place named" if named >= 4 else "place not named", "a record begun" if made else "no record begun")


@fault("SIGTERM during anything: 12 moments of starting, running, reloading, with the broker away, the disk slow or full",
       "it ends by itself with 0; the record is whole; what a full disk kept in memory is lost then, which is said")
def sigterm_anytime(r):
    dice = random.Random(11)
    ended = 0
    for moment in range(12):
        r.trouble.set(disk=Trouble.GOOD)
        started = r.said("watching")
        r.start_gateway(wait=moment % 4 == 0)
        kind = moment % 6
        if kind == 1:
            r.until("it watches", lambda: r.said("watching") > started)
            r.gateway.send_signal(signal.SIGHUP)
        elif kind == 2:
            r.trouble.set(disk=Trouble.SLOW, disk_ms=30)
        elif kind == 3 and r.broker.poll() is None:
            r.stop(r.broker)
        elif kind == 4 and r.broker.poll() is not None:
            r.start_broker()
        elif kind == 5:
            r.trouble.set(disk=Trouble.FULL)
        time.sleep(dice.random() * 1.5)
        r.gateway.terminate()
        try:
            code = r.gateway.wait(PATIENCE)
        except subprocess.TimeoutExpired:
            raise Seen("SIGTERM did not end it, moment %d" % moment)
        # before its handlers stand the signal itself ends it: that is what a SIGTERM does
        if code not in (0, -signal.SIGTERM):
            raise Seen("ended with %d, moment %d" % (code, moment))
        ended += 1
    r.trouble.set(disk=Trouble.GOOD)
    if r.broker.poll() is not None:
        r.start_broker()
    r.start_gateway()
    seen = r.delivered()
    r.ends()
    return all_of("ended %d times of 12" % ended, "record whole",
                  "what could not be written: " + ("said" if r.said("could not be written and are lost") else "not said"), seen)


@fault("kill -9 at any moment, 8 times", "no event is lost that was in the record or delivered")
def killed_anytime(r):
    dice = random.Random(12)
    for _ in range(8):
        r.start_gateway()
        time.sleep(dice.random())
        shown = r.newest()
        r.gateway.kill()
        r.gateway.wait()
        r.gateway = None
        if not r.ask("SELECT 1 FROM events WHERE seq = %d" % shown):
            raise Seen("event %d had been in the record" % shown)
    r.start_gateway()
    seen = r.delivered()
    r.ends()
    return all_of("record whole after each", seen)


@fault("power cut at any moment, 200 times (a file system that forgets what was not synced, or keeps any part of it)",
       "the record opens by itself; no event that was shown or delivered is lost; at most 10 s of readings", rig=False)
def power_cut(build):
    p = subprocess.run([build + "/tests/unit/test_history_cuts"], capture_output=True, text=True,
                       env=dict(os.environ, FORETRIP_CUTS="200", CMOCKA_TEST_FILTER="*power*"))
    if p.returncode != 0:
        raise Seen(p.stdout[-2000:] + p.stderr[-2000:])
    worst = int(re.findall(r"at most (\d+) rows lost", p.stdout)[-1])
    return all_of("record opened after each", "no event lost",
                  "at most 10 s of readings lost" if worst <= 10 else "%d s of readings lost" % worst)


# ---- the table ----


def play(build, f):
    name, words, promised, function, options = f
    begun = time.monotonic()
    r = None
    try:
        if options.get("rig", True):
            r = Rig(build, **options)
            seen = function(r)
        else:
            seen = function(build)
        return f, seen, None, time.monotonic() - begun
    except Exception as e:  # noqa: BLE001 - one that fails must not hide the others
        tail = "\n".join(r.log().splitlines()[-25:]) if r else ""
        return f, None, "%s: %s\n%s" % (type(e).__name__, e, tail), time.monotonic() - begun
    finally:
        if r:
            r.close()


def main():
    arguments = [a for a in sys.argv[1:] if a != "--write"]
    build, names = os.path.abspath(arguments[0]), arguments[1:]
    chosen = [f for f in FAULTS if not names or f[0] in names]
    with open(build + "/foretripd", "rb") as f:
        if re.search(rb"__(a|t)san_init", f.read()):  # a sanitizer has an allocator of its own
            print("memory_exhausted is not played under a sanitizer")
            chosen = [f for f in chosen if f[0] != "memory_exhausted"]
    unknown = set(names) - {f[0] for f in FAULTS}
    if unknown:
        sys.exit("no such fault: " + ", ".join(sorted(unknown)))
    rows, failed = {}, 0
    with concurrent.futures.ThreadPoolExecutor(int(os.environ.get("FAULT_JOBS", "4"))) as pool:
        for f, seen, why, took in pool.map(lambda f: play(build, f), chosen):
            if seen is None:
                failed += 1
                print("FAILED %s (%.0f s): %s" % (f[0], took, why), flush=True)
            else:
                rows[f[0]] = "| %s | %s | %s |\n" % (f[1], f[2], seen)
                print("%s (%.0f s): %s" % (f[0], took, seen), flush=True)
    with open(PAGE) as page:
        text = page.read()
    before, rest = text.split(BEGIN)
    table, after = rest.split(END)
    if "--write" in sys.argv and not failed and not names:
        made = "| fault | promised | seen |\n|---|---|---|\n" + "".join(rows[f[0]] for f in FAULTS)
        with open(PAGE, "w") as page:
            page.write(before + BEGIN + made + END + after)
    else:
        for row in rows.values():
            if row not in table:
                failed += 1
                print("docs/reliability.md is not what happens (make docs writes it); now:\n" + row)
        if not names and len(table.splitlines()) != len(FAULTS) + 2:
            failed += 1
            print("docs/reliability.md has other rows than there are faults")
    sys.exit(failed > 0)


main()
