"""Clients that behave badly: page_clients.py PORT GATEWAY_PID. Slow heads, bodies that never come, streams that are
not read, many at once; the page still answers and the gateway still has a frame every second."""
import json
import socket
import sys
import time
import urllib.request

port, pid = int(sys.argv[1]), int(sys.argv[2])
faults = []


def connect():
    s = socket.create_connection(("127.0.0.1", port), 10)
    s.settimeout(20)
    return s


def status():
    with urllib.request.urlopen(f"http://127.0.0.1:{port}/api/v1/status", timeout=20) as r:
        return json.load(r)


def memory_kib():
    with open(f"/proc/{pid}/status", encoding="ascii") as f:
        return next(int(line.split()[1]) for line in f if line.startswith("VmRSS"))


def until(deadline, condition):
    end = time.monotonic() + deadline
    while time.monotonic() < end:
        if condition():
            return True
        time.sleep(0.05)
    return False


# one stream, read as it should be
s = connect()
s.sendall(b"GET /api/v1/stream HTTP/1.1\r\nHost: localhost\r\n\r\n")
got = b""
while b"event: circuits" not in got:
    piece = s.recv(65536)
    if not piece:
        faults.append("the stream ended")
        break
    got += piece
if b"Content-Type: text/event-stream" not in got or b"event: hello" not in got:
    faults.append(f"the stream begins as {got[:300]!r}")
s.close()

before = memory_kib()
idle = [connect() for _ in range(200)]
for c in idle:
    c.sendall(b"GET /api/v1/stream HTTP/1.1\r\nHost: localhost\r\n\r\n")
for c in idle:
    if b"200 OK" not in c.recv(4096):
        faults.append("a stream was refused")
        break
first = status()["frame_at"]
if not until(20, lambda: status()["frame_at"] > first):
    faults.append("no frame comes any more with 200 streams open")
more = memory_kib() - before
print(f"200 streams: {more} KiB more")
if more > 16 * 1024:
    faults.append(f"200 streams take {more} KiB")
for c in idle:
    c.close()

slow = [connect() for _ in range(40)]
for i, c in enumerate(slow):
    c.sendall([b"GET / HTTP/1.1\r\nHost: loc", b"POST /api/v1/alarms/x/acknowledge HTTP/1.1\r\nHost: localhost\r\nContent-Type: application/json\r\nContent-Length: 4000\r\n\r\n{", b"\r\n" * 5, b"\x16\x03\x01\x02\x00"][i % 4])
first = status()["frame_at"]
if not until(20, lambda: status()["frame_at"] > first):
    faults.append("no frame comes any more with slow clients")
for c in slow:
    c.close()

for raw in (b"\x00\xff\xfe garbage\r\n\r\n", b"GET " + b"/a" * 20000 + b" HTTP/1.1\r\nHost: localhost\r\n\r\n", b"GET / HTTP/1.1\r\nHost: localhost\r\n" + b"X: y\r\n" * 20000 + b"\r\n", b"GET / HTTP/9.9\r\n\r\n", b"POST / HTTP/1.1\r\nHost: localhost\r\nTransfer-Encoding: chunked\r\n\r\nzzz\r\n"):
    c = connect()
    try:
        c.sendall(raw)
        c.shutdown(socket.SHUT_WR)
        while c.recv(65536):
            pass
    except OSError:
        pass
    c.close()
if status()["site"] != "alder-31":
    faults.append("the page does not answer any more")

for f in faults:
    print(f)
sys.exit(1 if faults else 0)
