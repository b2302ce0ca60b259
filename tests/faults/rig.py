"""rig.py - a gateway of one's own under trouble: the simulated house, a broker, a witness that subscribes, and the
daemon with tests/faults/trouble.c under it. Everything is this program's own child and ends with the rig."""
import json
import mmap
import os
import re
import shutil
import signal
import socket
import sqlite3
import struct
import subprocess
import sys
import tempfile
import threading
import time

HERE = os.path.dirname(os.path.abspath(__file__))
sys.path[:0] = [os.path.join(HERE, "..", "bench"), os.path.join(HERE, "..", "..", "deploy")]
import site_42  # noqa: E402
from ports import free_port  # noqa: E402

HOUSE = os.path.join(HERE, "..", "bench", "house.cfg")
PATIENCE = 120  # seconds that a condition may take on a busy machine


class Seen(Exception):
    """what should not have been seen"""


def listens(port):
    try:
        socket.create_connection(("127.0.0.1", port), 1).close()
        return True
    except OSError:
        return False


def times(n):
    return {0: "not said", 1: "said once"}.get(n, "said %d times" % n)


class Trouble:
    """the file of trouble.c"""
    NAMES = ["clock_ms", "drift_ppm", "drift_from_ns", "disk", "disk_ms", "memory_every", "disk_refused", "memory_refused"]
    GOOD, FULL, READ_ONLY, SLOW = range(4)

    def __init__(self, path):
        with open(path, "wb") as f:
            f.write(bytes(4096))
        self.file = open(path, "r+b")
        self.map = mmap.mmap(self.file.fileno(), 4096)
        self.path = path

    def set(self, **values):
        for name, value in values.items():
            struct.pack_into("<q", self.map, 8 * self.NAMES.index(name), value)

    def get(self, name):
        return struct.unpack_from("<q", self.map, 8 * self.NAMES.index(name))[0]

    def environment(self, build, folder):
        library = build + "/tests/faults/trouble.so"
        return dict(os.environ, LD_PRELOAD=library, FORETRIP_TROUBLE=self.path, FORETRIP_TROUBLE_FOLDER=folder,
                    ASAN_OPTIONS=os.environ.get("ASAN_OPTIONS", "") + ":verify_asan_link_order=0")


class Rig:
    def __init__(self, build, broker=True):
        self.build = build
        self.directory = tempfile.mkdtemp(prefix="foretrip-faults.")
        self.site, self.state = self.directory + "/site", self.directory + "/state"
        os.mkdir(self.site)
        self.meter, self.port, self.page = free_port(), free_port(), None
        self.children, self.broker, self.gateway, self.house, self.witness = [], None, None, None, None
        self.trouble = Trouble(self.directory + "/trouble")
        self.log_path, self.heard = self.directory + "/gateway.log", self.directory + "/heard"
        site_42.write(self.site, self.meter, self.port)
        self.write("page.cfg", "page = { off = true; };\n")
        open(self.heard, "w").close()
        open(self.log_path, "w").close()
        self.start_house()
        if broker:
            self.start_broker()
            self.start_witness()

    # ---- parts ----

    def write(self, name, text):
        with open(self.site + "/" + name, "w") as f:
            f.write(text)

    def read(self, name):
        with open(self.site + "/" + name) as f:
            return f.read()

    def run(self, arguments, **more):
        p = subprocess.Popen(arguments, **dict({"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}, **more))
        self.children.append(p)
        return p

    def start_house(self):
        self.house = self.run([self.build + "/foretrip-house", "--config", self.site, "--house", HOUSE, "--tcp",
                               "127.0.0.1:%d" % self.meter, "--speed", "8"])
        self.until("the house listens", lambda: listens(self.meter))

    def start_broker(self, port=None, *lines):
        port = port or self.port
        with open(self.directory + "/broker.conf", "w") as f:
            f.write("user %s\nlistener %d 127.0.0.1\nallow_anonymous true\npersistence true\npersistence_location %s/\n"
                    "max_queued_messages 0\nlog_dest file %s/broker.log\nlog_type all\n%s\n" %
                    (subprocess.check_output(["id", "-un"], text=True).strip(), port, self.directory, self.directory,
                     "\n".join(lines)))
        self.broker = self.run([shutil.which("mosquitto") or "/usr/sbin/mosquitto", "-c", self.directory + "/broker.conf"])
        self.until("the broker listens", lambda: listens(port))

    def start_witness(self, port=None):
        """with a session that the broker keeps"""
        out = open(self.heard, "a")
        self.witness = self.run(["stdbuf", "-oL", "mosquitto_sub", "-p", str(port or self.port), "-i", "witness", "-c",
                                 "-q", "1", "-t", "foretrip/+/event", "-F", "%p"], stdout=out)
        self.until("the witness subscribes", lambda: "witness 1 foretrip" in open(self.directory + "/broker.log").read())

    def start_gateway(self, wait=True, environment=None):
        log = open(self.log_path, "a")
        self.gateway = self.run([self.build + "/foretripd", "--config", self.site, "--state", self.state], stderr=log,
                                env=dict(self.trouble.environment(self.build, self.state), **(environment or {})))
        if wait:
            self.more_events(1)

    def stop(self, p, number=signal.SIGTERM):
        if p and p.poll() is None:
            p.send_signal(number)
        if p:
            p.wait()

    def close(self):
        for p in reversed(self.children):
            if p.poll() is None:
                p.terminate()
        for p in self.children:
            try:
                p.wait(10)
            except subprocess.TimeoutExpired:
                p.kill()
                p.wait()
        if os.environ.get("KEEP"):
            print("kept:", self.directory)
        else:
            shutil.rmtree(self.directory, ignore_errors=True)

    # ---- looking ----

    def until(self, what, condition, seconds=PATIENCE):
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            try:
                value = condition()
            except (sqlite3.Error, OSError):
                value = False
            if value:
                return value
            if self.gateway and self.gateway.poll() is not None and what != "the gateway ends":
                raise Seen("the gateway ended with %d while waiting for: %s" % (self.gateway.returncode, what))
            time.sleep(0.1)
        raise Seen("waited in vain for: " + what)

    def ask(self, sql):
        db = sqlite3.connect("file:%s/foretrip.db?mode=ro" % self.state, uri=True, timeout=5)
        try:
            return db.execute(sql).fetchall()
        finally:
            db.close()

    def events(self):
        return self.ask("SELECT count(*) FROM events")[0][0]

    def newest(self):
        return self.ask("SELECT coalesce(max(seq), 0) FROM events")[0][0]

    def more_events(self, n=3):
        before = 0
        try:
            before = self.newest()
        except sqlite3.Error:
            pass
        self.until("%d more events on disk" % n,
                   lambda: self.ask("SELECT count(*) FROM events WHERE seq > %d" % before)[0][0] >= n)

    def hears_more(self, n=3):
        """events that the witness hears, on disk or not"""
        before = os.path.getsize(self.heard)

        def more():
            with open(self.heard) as f:
                f.seek(before)
                return f.read().count("\n") >= n
        self.until("%d more events heard" % n, more)

    def log(self):
        with open(self.log_path, errors="replace") as f:
            return f.read()

    def said(self, pattern):
        return len(re.findall(pattern, self.log()))

    def once_each(self, pattern):
        """different reasons are different sentences; none comes twice"""
        lines = [line for line in self.log().splitlines() if re.search(pattern, line)]
        return "said, each reason once" if len(lines) == len(set(lines)) else "said again and again"

    def until_said(self, pattern):
        self.until("the log says " + pattern, lambda: self.said(pattern))

    def delivered(self):
        """every event of the record has reached the witness, first arrivals in the order of their numbers"""
        def heard():
            seen = []
            with open(self.heard, errors="replace") as f:
                for line in f:
                    try:
                        seen.append(json.loads(line)["seq"])
                    except (ValueError, KeyError):
                        pass
            return list(dict.fromkeys(seen))
        kept = [seq for seq, in self.ask("SELECT seq FROM events ORDER BY seq")]
        try:
            self.until("the witness hears all", lambda: set(kept) <= set(heard()))
        except Seen as e:
            missing = sorted(set(kept) - set(heard()))
            raise Seen("%s: %d of %d are missing, the first %s" % (e, len(missing), len(kept), missing[:5]))
        first = heard()
        return "every event delivered" + (", in order" if first == sorted(first) else ", out of order")

    def ends(self, seconds=30):
        """SIGTERM; and the record can be read"""
        self.gateway.terminate()
        try:
            code = self.gateway.wait(seconds + PATIENCE)
        except subprocess.TimeoutExpired:
            raise Seen("SIGTERM does not end it")
        if code != 0:
            raise Seen("SIGTERM ends it with %d" % code)
        self.whole()

    def whole(self):
        p = subprocess.run([self.build + "/foretrip", "verify", "--config", self.site, "--database",
                            self.state + "/foretrip.db"], capture_output=True, text=True)
        if p.returncode != 0:
            raise Seen("foretrip verify: " + p.stdout + p.stderr)


class Between:
    """a way to the broker with manners: slow (what it says comes late and in small pieces), or full (greets, and refuses
    every message for want of room: MQTT 5, reason 0x97)"""

    def __init__(self, broker, mode):
        self.broker, self.mode = broker, mode
        self.server = socket.create_server(("127.0.0.1", 0))
        self.port = self.server.getsockname()[1]
        self.refused = 0
        threading.Thread(target=self.accept, daemon=True).start()

    def accept(self):
        while True:
            try:
                client, _ = self.server.accept()
            except OSError:
                return
            threading.Thread(target=self.serve, args=(client,), daemon=True).start()

    def close(self):
        self.server.shutdown(socket.SHUT_RDWR)  # the accept that waits would hold the port
        self.server.close()

    def serve(self, client):
        try:
            if self.mode == "full":
                self.refuse(client)
            else:
                with socket.create_connection(("127.0.0.1", self.broker)) as real:
                    back = threading.Thread(target=self.trickle, args=(real, client), daemon=True)
                    back.start()
                    self.trickle(client, real)
        except OSError:
            pass
        finally:
            client.close()

    @staticmethod
    def trickle(source, to):
        try:
            while True:
                data = source.recv(512)
                if not data:
                    break
                time.sleep(0.05 + len(data) / 20000.0)  # some 5 kB/s, and half a round of it in delay
                to.sendall(data)
        except OSError:
            pass
        for s in (source, to):
            try:
                s.shutdown(socket.SHUT_RDWR)
            except OSError:
                pass

    @staticmethod
    def packet(client):
        def exactly(n):
            data = b""
            while len(data) < n:
                piece = client.recv(n - len(data))
                if not piece:
                    raise OSError("gone")
                data += piece
            return data
        head, length, shift = exactly(1)[0], 0, 0
        while True:
            byte = exactly(1)[0]
            length |= (byte & 0x7F) << shift
            shift += 7
            if not byte & 0x80:
                return head, exactly(length)

    def refuse(self, client):
        while True:
            head, body = self.packet(client)
            kind = head >> 4
            if kind == 1:
                client.sendall(b"\x20\x03\x00\x00\x00")
            elif kind == 3 and head & 6:
                at = 2 + int.from_bytes(body[:2], "big")
                self.refused += 1
                client.sendall(b"\x40\x03" + body[at:at + 2] + b"\x97")
            elif kind in (8, 10):
                client.sendall(bytes([(kind + 1) << 4, 4]) + body[:2] + b"\x00\x01")
            elif kind == 12:
                client.sendall(b"\xd0\x00")
            elif kind == 14:
                return


def make_certificate(r, name, days_ago):
    """self-signed, good for 30 days from then on"""
    r.trouble.set(clock_ms=-days_ago * 86400000)
    environment = r.trouble.environment(r.build, "/nowhere")
    subprocess.run(["openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes",
                    "-keyout", "%s/%s.key" % (r.site, name), "-out", "%s/%s.pem" % (r.site, name), "-days", "31",
                    "-subj", "/CN=localhost", "-addext", "subjectAltName=DNS:localhost,IP:127.0.0.1"],
                   check=True, stderr=subprocess.DEVNULL, env=environment)
    os.chmod("%s/%s.key" % (r.site, name), 0o640)
    r.trouble.set(clock_ms=0)
