"""Checks the gateway's answers against gateway/web/openapi.json: openapi.py BASE_URL. Every route of the file
is asked; every answer must be what the file says, and every route that answers must be in it."""
import sys
import urllib.parse

from openapi_check import Api

api = Api(sys.argv[1], "gateway/web/openapi.json")
route, faults, asked = api.route, api.faults, api.asked
site = route("/api/v1/site")
circuit = sys.argv[2] if len(sys.argv) > 2 else site["circuits"][0]["circuit"]
route("/api/v1/status")
states = route("/api/v1/circuits")
if not states["circuits"]:
    faults.append("no circuit has a state")
route("/api/v1/circuits", "/api/v1/circuits?panel=" + site["panels"][0]["panel"])
route("/api/v1/circuits", "/api/v1/circuits?panel=nowhere", wanted=404)
route("/api/v1/circuits/{id}", f"/api/v1/circuits/{circuit}")
route("/api/v1/circuits/{id}", "/api/v1/circuits/nowhere", wanted=404)
h = route("/api/v1/circuits/{id}/history", f"/api/v1/circuits/{circuit}/history?points=1800")  # two seconds each: there may be less than a minute yet
if not any(v is not None for v in h["mean"]):
    faults.append("the history has no reading")
for quantity in ("watts", "volts", "pf"):
    route("/api/v1/circuits/{id}/history", f"/api/v1/circuits/{circuit}/history?points=5&quantity={quantity}")
route("/api/v1/circuits/{id}/history", f"/api/v1/circuits/{circuit}/history?points=1", wanted=400)
if not any(v is not None and v > 0 for v in h.get("heat", [])):
    faults.append("the history has no heat")
changes = route("/api/v1/circuits/{id}/alarms", f"/api/v1/circuits/{circuit}/alarms")["events"]
if not changes or any(e["type"] != "alarm" or e["circuit"] != circuit for e in changes):
    faults.append(f"the changes of alarms of {circuit}: {changes[:2]}")
used = route("/api/v1/circuits/{id}/energy", f"/api/v1/circuits/{circuit}/energy")
if not used["days"] or sum(d["kwh"] for d in used["days"]) <= 0:
    faults.append(f"nothing was used: {used}")
route("/api/v1/circuits/{id}/energy", f"/api/v1/circuits/{circuit}/energy?from=2001-01-01T00:00:00Z", wanted=400)
study = route("/api/v1/study")
if [x["panel"] for x in study["sheets"]] != [p["panel"] for p in site["panels"]]:
    faults.append(f"the panels' sheets: {study}")
added = route("/api/v1/study", f"/api/v1/study?circuit={circuit}&amps=12.5&continuous=true")
if added["asked"]["amps"] != 12.5 or added["sheets"][0]["circuit"] != circuit:
    faults.append(f"the study of an addition: {added['asked']}")
route("/api/v1/study", "/api/v1/study?circuit=nowhere", wanted=404)
route("/api/v1/study", "/api/v1/study?amps=much", wanted=400)
route("/api/v1/advice")
route("/api/v1/advice", "/api/v1/advice?from=2001-01-01T00:00:00Z", wanted=400)
csv = route("/api/v1/circuits/{id}/export.csv", f"/api/v1/circuits/{circuit}/export.csv")
if csv is None or csv.count(b"\n") < 3:
    faults.append("the export has no rows")
route("/api/v1/loads")
alarms = route("/api/v1/alarms")
route("/api/v1/alarms", "/api/v1/alarms?all=true")
trips = route("/api/v1/trips")
for t in trips["trips"][:3]:
    one = urllib.parse.quote(t["trip"])
    route("/api/v1/trips/{id}", f"/api/v1/trips/{one}")
    record = route("/api/v1/trips/{id}/record", f"/api/v1/trips/{one}/record?before=10&after=2")
    if not record["rows"]:
        faults.append("the record of the trip has no rows")
if not trips["trips"]:
    faults.append("there is no trip to look at")
route("/api/v1/trips/{id}", "/api/v1/trips/nothing", wanted=404)
route("/api/v1/trips/{id}/correct", "/api/v1/trips/nothing/correct", method="POST", body={"cause": "fault"}, wanted=409)
for t in trips["trips"][:1]:  # it is not over yet, and only then can it be corrected
    one = f"/api/v1/trips/{urllib.parse.quote(t['trip'])}"
    said = route("/api/v1/trips/{id}/correct", one + "/correct", method="POST", body={"cause": "gremlins"}, wanted=409)
    if "gremlins" not in said["error"]:
        faults.append(f"a cause that there is not: {said}")
route("/api/v1/trips/{id}/note", "/api/v1/trips/nothing/note", method="POST", body={"note": "x", "by": "test"}, wanted=409)
for t in trips["trips"][:1]:
    one = f"/api/v1/trips/{urllib.parse.quote(t['trip'])}"
    route("/api/v1/trips/{id}/note", one + "/note", method="POST", body={"note": "The cord was pinched", "by": "test"})
    if not any(e["type"] == "trip_note" and e["note"] == "The cord was pinched" and e["by"] == "test" for e in route("/api/v1/trips/{id}", one)["events"]):
        faults.append("a note is not beside its trip")
route("/api/v1/calls", method="POST", body={"circuit": "nowhere", "by": "test"}, wanted=409)
route("/api/v1/calls", method="POST", body={"by": "test"}, wanted=400)
for t in trips["trips"][:1]:
    me = {"by": "test", "device": "phone-1"}
    route("/api/v1/calls", method="POST", body={"circuit": t["trip"], **me})
    route("/api/v1/calls", method="POST", body={"circuit": t["trip"], **me}, wanted=409)
    one = f"/api/v1/calls/{route('/api/v1/calls', '/api/v1/calls?open=true')['calls'][0]['call']}"
    sheet = route("/api/v1/calls/{id}", one)
    if sheet["asked"]["stage"] != "cautions" or not sheet["cautions"] or sheet["trip"]["trip"] != t["trip"]:
        faults.append(f"a call that has just begun: {sheet['asked']}")
    route("/api/v1/calls/{id}/answer", one + "/answer", method="POST", body={"question": sheet["asked"]["question"], "answer": "is_off", **me}, wanted=409)
    route("/api/v1/calls/{id}/answer", one + "/answer", method="POST", body={"question": sheet["asked"]["question"], "answer": "clear", **me})
    route("/api/v1/calls/{id}/note", one + "/note", method="POST", body={"note": "the cord was pinched", **me})
    if "licencia" not in "".join(route("/api/v1/calls/{id}", one + "?language=es")["cautions"]):
        faults.append("a call is not said in Spanish")
    route("/api/v1/calls/{id}", one + "?language=xx", wanted=400)
    route("/api/v1/calls/{id}/stop", one + "/stop", method="POST", body={"danger": "gremlins", **me}, wanted=409)
    route("/api/v1/calls/{id}/stop", one + "/stop", method="POST", body={"danger": "heat", **me})
    route("/api/v1/calls/{id}/stop", one + "/stop", method="POST", body={"danger": "heat", **me}, wanted=409)
    sheet = route("/api/v1/calls/{id}", one)
    if sheet["found"]["finding"] != "danger" or not sheet["found"]["leave_off"] or [x["answer"] for x in sheet["steps"]] != ["begin", "clear", "note", "danger"]:
        faults.append(f"a call that was stopped: {sheet['found']} {[x['answer'] for x in sheet['steps']]}")
route("/api/v1/calls/{id}", "/api/v1/calls/nothing", wanted=404)
route("/api/v1/calls", "/api/v1/calls?circuit=nowhere", wanted=404)
route("/api/v1/events")
route("/api/v1/events", "/api/v1/events?after=0&most=20")
route("/api/v1/openapi.json")
asked.add("/api/v1/stream")  # read by the script beside this
route("/api/v1/alarms/{id}/acknowledge", "/api/v1/alarms/nothing/acknowledge", method="POST", body={"by": "test"}, wanted=409)
route("/api/v1/circuits/{id}/name", f"/api/v1/circuits/{circuit}/name", method="POST", body={"load": 999999, "name": "Ada's kettle"}, wanted=409)
route("/api/v1/circuits/{id}/name", f"/api/v1/circuits/{circuit}/name", method="POST", body={"name": "x"}, wanted=400)
route("/api/v1/circuits/{id}/breaker-replaced", "/api/v1/circuits/nowhere/breaker-replaced", method="POST", body={"by": "test"}, wanted=404)
route("/api/v1/circuits/{id}/breaker-replaced", f"/api/v1/circuits/{circuit}/breaker-replaced", method="POST", body={"by": "test", "note": "another one"})
if not any(e["type"] == "breaker_replaced" and e["note"] == "another one" and e["by"] == "test" for e in route("/api/v1/events", f"/api/v1/events?circuit={circuit}")["events"]):
    faults.append("a breaker was replaced and the record does not have it")
for a in alarms["alarms"][:1]:
    route("/api/v1/alarms/{id}/shelve", f"/api/v1/alarms/{a['alarm']}/shelve", method="POST", body={"by": "test", "seconds": 60, "note": "looked at"})
    now = {x["alarm"]: x for x in route("/api/v1/alarms")["alarms"]}
    if now.get(a["alarm"], {}).get("state") != "shelved":
        faults.append(f"{a['alarm']} was shelved and is {now.get(a['alarm'])}")
route("/api/v1/alarms/{id}/shelve", "/api/v1/alarms/nothing/shelve", method="POST", body={"by": "t"}, wanted=409)
for verb in ("unshelve", "out-of-service", "in-service"):
    name = "/api/v1/alarms/{id}/" + verb
    route(name, name.replace("{id}", "nothing"), method="POST", body={"by": "t"}, wanted=409)
for a in alarms["alarms"][:1]:
    for verb, state in (("unshelve", None), ("out-of-service", "out_of_service"), ("in-service", None)):
        name = "/api/v1/alarms/{id}/" + verb
        route(name, name.replace("{id}", a["alarm"]), method="POST", body={"by": "test", "note": "looked at"})
        now = {x["alarm"]: x for x in route("/api/v1/alarms")["alarms"]}.get(a["alarm"], {"state": "normal"})
        if (now["state"] != state) if state else (now["state"] in ("shelved", "out_of_service")):
            faults.append(f"{verb} of {a['alarm']} left it {now['state']}")
said = route("/api/v1/phrases", "/api/v1/phrases?language=es")["matters"]
if not said["leg_imbalance"]["act"] or "{panel}" not in said["leg_imbalance"]["what"]:
    faults.append(f"an alarm is not said in Spanish: {said['leg_imbalance']}")
route("/api/v1/phrases")
plan = route("/api/v1/trace")
if plan["state"] != "planned" or [x["on"] for x in plan["plan"]["beats"]] != [True, False] * 4:
    faults.append(f"the plan of a tracing: {plan}")
route("/api/v1/trace", "/api/v1/trace?begins=yesterday", wanted=400)
route("/api/v1/trace", "/api/v1/trace?begins=1767254400&tries=2", wanted=400)
panel, line = next((p["panel"], x) for p in route("/api/v1/directory")["panels"] for x in p["lines"] if x["circuit"] == circuit)
route("/api/v1/directory", "/api/v1/directory?panel=nowhere", wanted=404)
route("/api/v1/directory/purpose", method="POST", body={"panel": panel, "position": line["position"], "words": "Bath, and the \"hall\"", "by": "test"})
route("/api/v1/directory/purpose", method="POST", body={"panel": panel, "position": "99", "words": "x", "by": "test"}, wanted=409)
route("/api/v1/directory/place", method="POST", body={"circuit": circuit, "place": "Hall, by the door", "part": "upper", "by": "test"})
route("/api/v1/directory/keep", method="POST", body={"place": "Attic", "kind": "receptacle", "begins": "1767254400", "by": "test"}, wanted=409)
now = next(x for p in route("/api/v1/directory", "/api/v1/directory?panel=" + panel)["panels"] for x in p["lines"] if x["circuit"] == circuit)
if now["purpose"] != 'Bath, and the "hall"' or not now["entered"] or [p["place"] for p in now["places"]] != ["Hall, by the door"]:
    faults.append(f"what was entered is not in the directory: {now}")
if b'"Bath, and the ""hall"""' not in route("/api/v1/directory.csv"):
    faults.append("the table does not have it")
said = route("/api/v1/directory/import", method="POST", body={"csv": "panel,position,name\r\nmain,none,x\r\n", "by": "test"}, wanted=409)
if "line 2, column position" not in said["error"]:
    faults.append(f"a table's fault: {said}")
route("/api/v1/directory/forget", method="POST", body={"place": "Hall, by the door", "part": "upper", "by": "test"})
changes = route("/api/v1/directory/changes")["changes"]
if [c["what"] for c in changes] != ["place", "place", "purpose"] or changes[0]["before"] != f"{panel}/{line['position']}":
    faults.append(f"the changes: {changes}")
route("/api/v1/phrases", "/api/v1/phrases?language=xx", wanted=404)
if route("/api/v1/session")["login"]:
    faults.append("on loopback people have to log in")
audit = route("/api/v1/audit")["audit"]
if not {"shelve", "unshelve", "out-of-service", "in-service"} <= {r["act"] for r in audit if r["who"] == "test" and not r["result"]}:
    faults.append(f"who did what is not in the audit log: {audit[:5]}")
if len(route("/api/v1/audit", f"/api/v1/audit?most=1&before={audit[0]['id']}")["audit"]) != 1:
    faults.append("the audit log is not paged")
route("/api/v1/people")
for name, body in (("/api/v1/session", {"person": "a", "password": "b"}), ("/api/v1/session/choose", {}), ("/api/v1/session/password", {}), ("/api/v1/session/end", {}), ("/api/v1/people/{id}/invite", {}), ("/api/v1/people/{id}/end", {}), ("/api/v1/visits", {}), ("/api/v1/visits/{id}/end", {})):
    route(name, name.replace("{id}", "x"), method="POST", body=body, wanted=409)  # nobody logs in here
# ---- what must not work
hostile = [
    (403, "/api/v1/alarms/x/acknowledge", "POST", {"by": "x"}, {"Origin": "http://elsewhere.example"}),
    (415, "/api/v1/alarms/x/acknowledge", "POST", {"by": "x"}, {"Content-Type": "text/plain"}),
    (413, "/api/v1/alarms/x/acknowledge", "POST", {"by": "x" * 20000}, None),
    (421, "/api/v1/site", "GET", None, {"Host": "elsewhere.example"}),
    (404, "/..%2f..%2fetc/passwd", "GET", None, None),
    (404, "/api/v1/circuits/%00/history", "GET", None, None),
    (404, "/api/v1/circuits/%ff%fe/history", "GET", None, None),
    (405, "/api/v1/site", "DELETE", None, None),
]
for wanted, path, method, body, headers in hostile:
    status, _, text = api.ask(path, method, body, headers)
    if status != wanted:
        faults.append(f"{method} {path} {headers}: {status} instead of {wanted}: {text[:100]!r}")
status, headers, _ = api.ask("/api/v1/site")
status, _, text = api.ask("/api/v1/site", headers={"If-None-Match": headers["ETag"]})
if status != 304 or text:
    faults.append(f"an unchanged answer is sent again: {status}")
api.finish()
