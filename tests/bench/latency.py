"""latency.py BUILD POLL_MS TRIPS - from the fall of the current in the meter's register to the alarm at
mosquitto_sub, with 42 circuits on one Modbus TCP meter.

The meter is played here: a Modbus TCP server of a few lines whose registers are those of branch-meter-42. Each
circuit carries a standing load; on one after the other three loads come on, together 2.5 times its rating, then it falls
to nothing, and comes back later. The falls are spread evenly over the period of the polls, in random order. The clock starts when
the register holds the zero and stops when the line of the alarm (state unacknowledged) is read from the subscriber.
Goal: median half a period and 5 ms, 99th percentile one and a half periods.
"""
import json
import os
import queue
import random
import re
import shutil
import socket
import statistics
import struct
import subprocess
import sys
import tempfile
import threading
import time

sys.path.insert(0, os.path.join(os.path.dirname(os.path.abspath(__file__)), "..", "..", "deploy"))
from ports import free_port  # noqa: E402

CIRCUITS = 42
STANDING, LOADS = 80, [(24.0, 1250), (20.0, 2500), (16.0, 3750)]  # 0.01 A; on 15 A, so long before the fall
OPEN_S, APART_S = 35.0, 1.6


class Meter:
    """input registers of branch-meter-42: amps at 0, panel volts at 42, watts (two words each) at 100"""

    def __init__(self):
        self.registers = [0] * 200
        self.zeros = {}  # when each circuit was first read as nothing
        self.registers[42:45] = [1200, 1200, 0xFFFF]
        for n in range(CIRCUITS):
            self.set(n, STANDING)
        self.server = socket.create_server(("127.0.0.1", 0))
        self.port = self.server.getsockname()[1]
        threading.Thread(target=self.accept, daemon=True).start()

    def set(self, n, centiamps):
        watts = centiamps * 12  # tenths of a watt at 120 V
        self.registers[100 + 2 * n:102 + 2 * n] = [watts >> 16, watts & 0xFFFF]
        self.registers[n] = centiamps
        self.zeros.pop(n, None)
        return time.monotonic()

    def accept(self):
        while True:
            client, _ = self.server.accept()
            client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            threading.Thread(target=self.serve, args=(client,), daemon=True).start()

    def serve(self, client):
        with client:
            while request := client.recv(12, socket.MSG_WAITALL):
                if len(request) < 12:
                    return
                transaction, _, _, unit, function, address, count = struct.unpack(">HHHBBHH", request)
                data = self.registers[address:address + count]
                if function != 4 or len(data) < count:
                    client.sendall(struct.pack(">HHHBBB", transaction, 0, 3, unit, function | 0x80, 2))
                    continue
                client.sendall(struct.pack(">HHHBBB", transaction, 0, 3 + 2 * count, unit, 4, 2 * count) +
                               struct.pack(">%dH" % count, *data))
                if address == 0:
                    now = time.monotonic()
                    for n in range(CIRCUITS):
                        if data[n] == 0:
                            self.zeros.setdefault(n, now)


def write_site(directory, meter, broker, poll_ms):
    os.mkdir(directory)
    with open(directory + "/site.cfg", "w") as f:
        f.write('site = { id = "bench"; name = "Bench"; timezone = "UTC"; standard = "UL489"; nominal_volts = 120.0; };\n'
                'panels = ( { id = "main"; name = "Main"; legs = 2; rating_amps = 200; } );\n'
                'buses = ( { id = "lan"; host = "127.0.0.1"; port = %d; poll_ms = %d; } );\n'
                'meters = ( { id = "m1"; bus = "lan"; unit = 1; map = "branch-meter-42"; panel = "main"; } );\n'
                'circuits = (\n' % (meter, poll_ms))
        f.write(",\n".join('  { id = "main-%02d"; panel = "main"; position = "%d"; name = "Circuit %d"; poles = 1; '
                           'leg = "%s"; breaker_amps = 15; meter = "m1"; channels = [ %d ]; }'
                           % (i, i, i, "AB"[(i - 1) // 2 % 2], i) for i in range(1, CIRCUITS + 1)))
        f.write(" );\n")
    with open(directory + "/delivery.cfg", "w") as f:
        f.write('broker = { host = "127.0.0.1"; port = %d; };\n' % broker)
    with open(directory + "/page.cfg", "w") as f:
        f.write("page = { off = true; };\n")


def wait_for(what, seconds=20):
    end = time.monotonic() + seconds
    while not what():
        if time.monotonic() > end:
            sys.exit("waited in vain")
        time.sleep(0.05)


def listening(port):
    try:
        socket.create_connection(("127.0.0.1", port), 1).close()
        return True
    except OSError:
        return False


def hear(stream, heard):
    for line in stream:
        now = time.monotonic()
        if not line.strip():
            continue  # a topic that was cleared
        e = json.loads(line)
        if e["kind"] == "trip" and e["state"] == "unacknowledged":
            heard.put((e["alarm"], now))


def agenda(trips, period, dice):
    """(seconds, circuit, what it carries from then on), in order"""
    acts, phases = [], list(range(trips))
    dice.shuffle(phases)
    for n in range(trips):
        whole = round((10.0 + LOADS[0][0] + n * APART_S) / period) * period
        c, at = n % CIRCUITS, whole + period * (phases[n] + 0.5) / trips
        acts += [(at - before, c, amps) for before, amps in LOADS] + [(at, c, 0), (at + OPEN_S, c, STANDING)]
    return sorted(acts)


def run(meter, trips, period, heard):
    fell, late, dice = {}, [], random.Random(3)
    begin = time.monotonic()
    delays, after_read = [], []

    def take():
        while not heard.empty():
            alarm, now = heard.get()
            at = fell.pop(alarm, None)
            if at is not None:
                delays.append(now - at)
                after_read.append(now - meter.zeros[int(alarm[5:7]) - 1])
                if os.environ.get("KEEP"):
                    print(alarm, "%.1f ms" % (1000 * delays[-1]))

    for at, c, amps in agenda(trips, period, dice):
        alarm = "main-%02d.trip" % (c + 1)
        time.sleep(max(0.0, begin + at - time.monotonic()))
        take()
        if amps == STANDING and alarm in fell:
            late.append(fell.pop(alarm))
        now = meter.set(c, amps)
        if amps == 0:
            fell[alarm] = now
    time.sleep(1)
    take()
    return delays, after_read, len(late) + len(fell)


def main():
    build, poll_ms, trips = sys.argv[1], int(sys.argv[2]), int(sys.argv[3])
    directory = tempfile.mkdtemp(prefix="foretrip-bench.")
    meter, broker, started = Meter(), free_port(), []

    def start(*command, **more):
        started.append(subprocess.Popen(command, stderr=open(directory + "/log", "a"), **more))
        return started[-1]
    try:
        with open(directory + "/broker.conf", "w") as f:
            f.write("listener %d 127.0.0.1\nallow_anonymous true\nset_tcp_nodelay true\n" % broker)
        start(shutil.which("mosquitto") or "/usr/sbin/mosquitto", "-c", directory + "/broker.conf")
        wait_for(lambda: listening(broker))
        heard = queue.Queue()
        sub = start("mosquitto_sub", "-p", str(broker), "-V", "5", "-q", "1", "-t", "foretrip/bench/alarm/+", "-F", "%p",
                    stdout=subprocess.PIPE, bufsize=0)
        threading.Thread(target=hear, args=(os.fdopen(os.dup(sub.stdout.fileno()), "rb"), heard), daemon=True).start()
        write_site(directory + "/site", meter.port, broker, poll_ms)
        start(build + "/foretripd", "--config", directory + "/site", "--state", directory + "/state")
        wait_for(lambda: re.search("connected to", open(directory + "/log").read()))
        delays, after_read, unheard = run(meter, trips, poll_ms / 1000, heard)
    finally:
        for p in reversed(started):
            p.terminate()
            p.wait()
        if not os.environ.get("KEEP"):
            shutil.rmtree(directory)
    delays.sort()
    ms = [1000 * d for d in delays]
    if len(ms) < 2:
        sys.exit("%d alarms heard of %d" % (len(ms), trips))
    median, p99 = statistics.median(ms), ms[min(len(ms) - 1, int(0.99 * len(ms)))]
    print("poll %4d ms, %d trips: fall to alarm median %.1f ms (goal %.0f), p99 %.1f ms (goal %.0f), most %.1f ms, "
          "%d not told within %.0f s" % (poll_ms, trips, median, poll_ms / 2 + 5, p99, 1.5 * poll_ms, ms[-1], unheard, OPEN_S))
    print("  mean %.1f ms; of that, from the answer that held the zero: median %.1f ms; the median is known to %.1f ms"
          % (statistics.mean(ms), 1000 * statistics.median(after_read), poll_ms / trips))


main()
