"""A client of the page where people log in: page_access.py BASE DIR STEP [ARGUMENTS]. What a step learns for the
next ones is kept in DIR/access.json: the sessions of those who are in."""
import http.client
import json
import socket
import ssl
import sys
import time

base, folder, step, args = sys.argv[1], sys.argv[2], sys.argv[3], sys.argv[4:]
host, port = base.split("//")[1].split(":")
context = ssl.create_default_context(cafile=folder + "/site/page.pem")
context.check_hostname = False
faults = []
kept_path = folder + "/access.json"
try:
    kept = json.load(open(kept_path, encoding="utf-8"))
except FileNotFoundError:
    kept = {}
PASSWORDS = {"ada": "correct horse battery", "kim": "correct horse staple", "mo": "correct horse saddle"}


def check(yes, what):
    if not yes:
        faults.append(what)


def ask(path, who=None, body=None, headers=None, token=True, method=None):
    """(status, headers, text)"""
    c = http.client.HTTPSConnection("127.0.0.1", int(port), context=context, timeout=20)
    h = {"Host": f"{host}:{port}"}
    if who in kept:
        h["Cookie"] = "__Host-foretrip=" + kept[who]["session"]
        if token and body is not None:
            h["X-Foretrip-Token"] = kept[who]["token"]
    if body is not None:
        h["Content-Type"] = "application/json"
    h.update(headers or {})
    c.request(method or ("GET" if body is None else "POST"), path, None if body is None else json.dumps(body), h)
    r = c.getresponse()
    text = r.read().decode()
    c.close()
    return r.status, r.headers, text


def enter(who, path, body):
    """Comes in as `who`; the status."""
    status, headers, text = ask(path, body=body)
    if status == 200:
        cookie = headers["Set-Cookie"]
        for part in ("Secure", "HttpOnly", "SameSite=Strict", "Path=/"):
            check(part in cookie, f"the cookie is not {part}: {cookie}")
        kept[who] = {"session": cookie.split(";")[0].split("=")[1], "token": json.loads(text)["token"]}
        json.dump(kept, open(kept_path, "w", encoding="utf-8"))
    return status


def stream(who):
    """A connection with the live messages open."""
    c = context.wrap_socket(socket.create_connection(("127.0.0.1", int(port)), timeout=15), server_hostname=host)
    c.sendall(f"GET /api/v1/stream HTTP/1.1\r\nHost: {host}:{port}\r\nCookie: __Host-foretrip={kept[who]['session']}\r\n\r\n".encode())
    return c


def read_until(c, word, seconds):
    """All that came until the word, or until the other side ended; None when neither happened."""
    got, end = b"", time.monotonic() + seconds
    while word not in got:
        if time.monotonic() > end:
            return None
        try:
            more = c.recv(65536)
        except TimeoutError:
            return None
        if not more:
            return got
        got += more
    return got


def stranger():
    doc = json.load(open("gateway/web/openapi.json", encoding="utf-8"))
    for path, methods in doc["paths"].items():
        for method in methods:
            body = {} if method == "post" else None
            status, headers, text = ask(path.replace("{id}", "main-07"), body=body)
            is_open = path == "/api/v1/openapi.json" or path in ("/api/v1/session", "/api/v1/session/choose")
            check(status != 401 if is_open else status == 401, f"{method} {path} before a login: {status} {text[:80]}")
            if method == "post":
                status, _, text = ask(path.replace("{id}", "main-07"), body=body, headers={"Origin": "https://elsewhere.example"})
                check(status == 403, f"{method} {path} of another page: {status}")
    status, headers, text = ask("/")
    check(status == 200 and "Alder" not in text and "alder" not in text, "the page names the site before a login")
    policy = headers["Content-Security-Policy"]
    check("default-src 'none'" in policy and "unsafe" not in policy and "frame-ancestors 'none'" in policy, f"the policy: {policy}")
    for name in ("X-Content-Type-Options", "Referrer-Policy", "Cross-Origin-Opener-Policy", "Cross-Origin-Resource-Policy", "Permissions-Policy"):
        check(name in headers, f"no {name}")
    who = json.loads(ask("/api/v1/session")[2])
    check(who["login"] and who["person"] is None and who["may"] == [], f"a stranger is {who}")
    for body in ({"person": "ada", "password": ""}, {"person": "ada"}, {"person": ["ada"], "password": "x"}, {"person": "a" * 400, "password": "x"}):
        status = ask("/api/v1/session", body=body)[0]
        check(status == 400, f"a login with {str(body)[:60]}: {status}")


def first():
    check(enter("ada", "/api/v1/session/choose", {"person": "kim", "code": args[0], "password": PASSWORDS["kim"]}) == 403, "the first code lets a resident in")
    check(enter("ada", "/api/v1/session/choose", {"person": "ada", "code": args[0], "password": "short"}) == 400, "a short password is taken")
    check(enter("ada", "/api/v1/session/choose", {"person": "ada", "code": args[0].lower(), "password": PASSWORDS["ada"]}) == 200, "the first code lets nobody in")
    check(ask("/api/v1/site", "ada")[0] == 200, "the administrator sees nothing")
    check(enter("other", "/api/v1/session/choose", {"person": "ada", "code": args[0], "password": PASSWORDS["ada"]}) == 403, "the first code is good twice")


def invited(who):
    status, _, text = ask(f"/api/v1/people/{who}/invite", "ada", {})
    check(status == 200, f"no code for {who}: {status} {text}")
    return json.loads(text)["code"]


def people():
    for who in ("kim", "mo"):
        check(enter(who, "/api/v1/session/choose", {"person": who, "code": invited(who), "password": PASSWORDS[who]}) == 200, f"{who} cannot choose a password")
    check(ask("/api/v1/people", "kim")[0] == 403, "a resident sees who may log in")
    check(ask("/api/v1/people/kim/invite", "ada", {}, token=False)[0] == 403, "a change without the token is taken")
    check(ask("/api/v1/people/kim/invite", "ada", {}, {"X-Foretrip-Token": kept["kim"]["token"]})[0] == 403, "a change with another's token is taken")
    check(ask("/api/v1/people/kim/invite", "ada", {}, {"Origin": "https://elsewhere.example"})[0] == 403, "a forged change is taken")
    check(ask("/api/v1/people/kim/invite", "ada", {}, {"Content-Type": "text/plain"})[0] == 415, "a form's change is taken")
    check(ask("/api/v1/alarms/nothing/out-of-service", "kim", {})[0] == 403, "a resident takes alarms out of service")
    check(ask("/api/v1/alarms/nothing/shelve", "kim", {"seconds": 90000})[0] == 403, "a resident shelves for more than a day")
    check(ask("/api/v1/alarms/nothing/shelve", "kim", {"seconds": 9000})[0] == 409, "a resident may not shelve at all")
    c = stream("kim")
    check(read_until(c, b"event: hello", 10), "no live messages")
    check(ask("/api/v1/session/end", "kim", {})[0] == 200, "no logging out")
    check(read_until(c, b"0\r\n\r\n", 20) is not None, "live messages go on after logging out")
    check(ask("/api/v1/status", "kim")[0] == 401, "a session is good after logging out")
    check(enter("kim", "/api/v1/session", {"person": "kim", "password": PASSWORDS["kim"]}) == 200, "no logging in again")
    status, headers, _ = ask("/api/v1/session/password", "kim", {"old": PASSWORDS["kim"], "password": PASSWORDS["kim"] + " too"})
    check(status == 200, f"no new password: {status}")
    check(enter("other", "/api/v1/session", {"person": "kim", "password": PASSWORDS["kim"]}) == 403, "the old password is good still")


def manager():
    c, full = stream("mo"), stream("ada")
    got = read_until(full, b'"amps":', 30)
    check(got and b'"loads":[{' in (got + (read_until(full, b'"loads":[{', 60) or b"")), "the administrator hears of no load")
    heard = read_until(c, b'"amps":null', 30) or b""
    heard += read_until(c, b"\n\n", 10) or b""
    check(b'"amps":null' in heard and b'"amps":0' not in heard and b'"loads":[{' not in heard, f"live messages tell a manager: {heard[-300:]}")
    for path in ("/api/v1/loads", "/api/v1/circuits/main-07/export.csv", "/api/v1/trips/x/record"):
        check(ask(path, "mo")[0] == 403, f"a manager may see {path}")
    end = time.monotonic() + 60
    while "load_on" not in ask("/api/v1/events?after=0&most=1000", "ada")[2] and time.monotonic() < end:
        time.sleep(0.5)
    check("load_on" in ask("/api/v1/events?after=0&most=1000", "ada")[2], "no load was seen")
    check("load_o" not in ask("/api/v1/events?after=0&most=1000", "mo")[2], "events tell a manager of loads")
    h = json.loads(ask("/api/v1/circuits/main-07/history?points=1000", "mo")[2])
    check((h["to"] - h["from"]) / h["points"] >= 900, f"a manager's history is finer than 15 minutes: {h['from']} {h['to']} {h['points']}")
    for c in (c, full):
        c.close()


def clients():
    raw = [
        b"GET /api/v1/site HTTP/1.1\r\nHost: x\r\nCookie: __Host-foretrip=" + b"a" * 9000 + b"\r\n\r\n",
        b"GET /api/v1/site HTTP/1.1\r\nHost: x\r\nCookie: __Host-foretrip=\xff\xfe\x00; ;;=;\r\n\r\n",
        b"GET /api/v1/site HTTP/1.1\r\nHost: x\r\nCookie: " + b"; ".join(b"a%d=b" % i for i in range(2000)) + b"\r\n\r\n",
        b"POST /api/v1/session HTTP/1.1\r\nHost: x\r\nContent-Type: application/json\r\nContent-Length: 999999999\r\n\r\n{",
        b"POST /api/v1/session HTTP/1.1\r\nHost: x\r\nContent-Type: application/json\r\nTransfer-Encoding: chunked\r\n\r\nzz\r\n",
    ]
    for bytes_ in raw:
        c = context.wrap_socket(socket.create_connection(("127.0.0.1", int(port)), timeout=5), server_hostname=host)
        try:
            c.sendall(bytes_)
            c.settimeout(3)
            got = c.recv(65536)
            check(b" 200 " not in got[:20], f"{bytes_[:40]!r} is answered by {got[:40]!r}")
        except OSError:
            pass
        c.close()
    slow = []
    for _ in range(30):  # half a handshake, half a head, half a body
        s = socket.create_connection(("127.0.0.1", int(port)), timeout=5)
        s.sendall(b"\x16\x03\x01\x02\x00")
        slow.append(s)
        c = context.wrap_socket(socket.create_connection(("127.0.0.1", int(port)), timeout=5), server_hostname=host)
        c.sendall(b"POST /api/v1/session HTTP/1.1\r\nHost: x\r\nContent-Type: application/json\r\nContent-Length: 60\r\n\r\n{")
        slow.append(c)
    check(ask("/api/v1/status", "ada")[0] == 200, "slow clients keep others out")
    for s in slow:
        s.close()
    for path in ("/../../etc/passwd", "/..%2f..%2fetc%2fpasswd", "/api/v1/people/../people", "/api/v1/people/%2e%2e/end", "/%00", "/api/v1/visits/%ff/end"):
        status = ask(path, "ada", {} if path.endswith("end") else None)[0]
        check(status == 404, f"{path}: {status}")
    check(ask("/api/v1/session", body={"person": "ada", "password": "x" * 20000})[0] == 413, "a huge body is taken")


def choose():
    check(enter(args[0], "/api/v1/session/choose", {"person": args[0], "code": args[1], "password": PASSWORDS[args[0]]}) == 200, "not in")


def visit():
    check(enter("rosa", "/api/v1/session", {"code": args[0]}) == 200, "not in")
    who = json.loads(ask("/api/v1/session", "rosa")[2])
    check(who["role"] == "electrician" and who["name"] == "Rosa Vega (visit)", f"the visit is {who}")


def ended():
    check(ask("/api/v1/status", args[0])[0] == 401, "in still")


def still():
    for who in ("ada", "rosa"):
        status = ask("/api/v1/status", who)[0]
        check(status == 200, f"{who}: {status}")
    check(ask("/api/v1/status", "mo")[0] == 401, "mo is in again")


def waits():
    for i in range(5):
        check(enter("other", "/api/v1/session", {"person": "mo", "password": "not this one"}) == 403, f"try {i} in vain is not refused")
    status, headers, _ = ask("/api/v1/session", body={"person": "mo", "password": PASSWORDS["mo"]})
    check(status == 429 and 0 < int(headers["Retry-After"]) <= 15, f"the sixth try is looked at: {status}")
    check(ask("/api/v1/status", "ada")[0] == 200, "whoever is in has to wait too")


def audit():
    rows = json.loads(ask("/api/v1/audit?most=500", "ada")[2])["audit"]
    said = {(r["who"], r["act"], bool(r["result"])) for r in rows}
    for wanted in (("Ada Lind (ada)", "choose_password", False), ("Ada Lind (ada)", "invite", False), ("Kim Ito (kim)", "logout", False),
                   ("Kim Ito (kim)", "change_password", False), ("Kim Ito (kim)", "shelve", True), ("Mo Diaz (mo)", "login", True)):
        check(wanted in said, f"{wanted} is not in the audit log")
    check(any(r["act"] == "visit_login" and r["who"].startswith("Rosa Vega") for r in rows), "the visit is not in the audit log")
    check(any(r["way"] == "gateway" and r["act"] == "end_sessions" and r["subject"] == "mo" for r in rows), "what the tool did is not in the audit log")
    check(any("locked" in r["result"] for r in rows), "the lock-out is not in the audit log")


globals()[step]()
for f in faults:
    print(f)
sys.exit(1 if faults else 0)
