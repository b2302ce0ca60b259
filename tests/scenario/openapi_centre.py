"""Checks the centre's answers against its openapi.json: openapi_centre.py BASE_URL UNIT SILENT_UNIT. Every route of the file is asked;
UNIT has a trip and its gateway answers, SILENT_UNIT has told something and is not connected."""
import datetime
import sys
import urllib.parse

from openapi_check import Api

api = Api(sys.argv[1], "gateway/fleet/pages/openapi.json")
route, faults = api.route, api.faults
unit, silent = sys.argv[2], sys.argv[3]


def soon(**span):
    return (datetime.datetime.now(datetime.timezone.utc) + datetime.timedelta(**span)).strftime("%Y-%m-%dT%H:%M:%SZ")


def post(name, path, body, wanted=200):
    return route(name, path, method="POST", body=body, wanted=wanted)


def is_there(yes, what):
    if not yes:
        faults.append(what)


session = route("/api/v1/session")
is_there(not session["login"] and "people" in session["may"], "on loopback everybody is an administrator")
portfolio = route("/api/v1/portfolio")
is_there(portfolio["needs"] and portfolio["sums"]["units"] >= 2, "somebody needs somebody")
is_there([n["reason"] for n in portfolio["needs"]] == sorted((n["reason"] for n in portfolio["needs"]), key=["urgent", "open", "high", "worn_breaker", "essential_load_silent", "supply_outage", "quiet", "warning"].index), "the most pressing first")
is_there(len(route("/api/v1/portfolio", "/api/v1/portfolio?most=1")["needs"]) == 1, "as many as are asked for")
route("/api/v1/portfolio", "/api/v1/portfolio?most=0", wanted=400)
route("/api/v1/portfolio", "/api/v1/portfolio?color=red", wanted=400)

place = "/api/v1/units/{id}/place"
post(place, place.replace("{id}", unit), {"name": "=Unit & more", "building": "Mill House", "place": "3B"})
post(place, place.replace("{id}", "nowhere"), {"name": "x"}, 404)
post(place, place.replace("{id}", unit), {"name": ""}, 400)
is_there(any(b["building"] == "Mill House" and b["units"] == 1 for b in route("/api/v1/buildings")["buildings"]), "a unit is in its building")
is_there([u["unit"] for u in route("/api/v1/units", "/api/v1/units?building=Mill%20House")["units"]] == [unit], "a building has its units")
is_there([u["unit"] for u in route("/api/v1/units", "/api/v1/units?words=mill%20h")["units"]] == [unit], "a unit is found")
is_there(b"\"'=Unit & more\"" in route("/api/v1/units.csv"), "a name that would be a formula is none in the table")

one = route("/api/v1/units/{id}", f"/api/v1/units/{unit}")
is_there(one["trips"] and not one["loads"], "the unit has trips, and what is on is not told")
route("/api/v1/units/{id}", "/api/v1/units/nowhere", wanted=404)
trip = urllib.parse.quote(one["trips"][0]["trip"])
route("/api/v1/units/{id}/trip", f"/api/v1/units/{unit}/trip?trip={trip}")
route("/api/v1/units/{id}/trip", f"/api/v1/units/{unit}/trip?trip=nothing", wanted=404)
route("/api/v1/units/{id}/trip", f"/api/v1/units/{unit}/trip", wanted=400)
sheet = route("/api/v1/units/{id}/sheet", f"/api/v1/units/{unit}/sheet")["sheet"]
is_there(sheet["discreet"] and sheet["circuits"] and not any(c.get("amps") for c in sheet["circuits"] if c), "the gateway's sheet, without currents")
is_there(route("/api/v1/units/{id}/sheet", f"/api/v1/units/{unit}/sheet?trip={trip}")["sheet"]["trip"]["trip"] == one["trips"][0]["trip"], "the trip's sheet")
gone = route("/api/v1/units/{id}/sheet", f"/api/v1/units/{silent}/sheet", wanted=504)
is_there(gone["why"] in ("gateway", "time"), f"a gateway that is away is said: {gone}")

consent, revoke = "/api/v1/units/{id}/consent", "/api/v1/units/{id}/revoke"
post(consent, consent.replace("{id}", unit), {"tenant": "Kim Ito", "how": "letter", "until": soon(days=9)})
post(consent, consent.replace("{id}", unit), {"tenant": "Kim Ito", "how": "letter", "until": soon(days=-1)}, 400)
is_there(route("/api/v1/units/{id}", f"/api/v1/units/{unit}")["loads"], "a consent counts")
post(revoke, revoke.replace("{id}", unit), {})
post(revoke, revoke.replace("{id}", unit), {}, 409)
is_there(not route("/api/v1/units/{id}", f"/api/v1/units/{unit}")["loads"], "a consent that was taken back counts no more")

is_there(route("/api/v1/trips")["trips"], "trips of 30 days")
is_there({t["unit"] for t in route("/api/v1/trips", f"/api/v1/trips?unit={unit}&from=2020-01-01T00:00:00Z")["trips"]} == {unit}, "trips of one unit")
is_there(route("/api/v1/trips", "/api/v1/trips?building=Mill%20House&from=2020-01-01T00:00:00Z")["trips"], "trips of a building")
is_there(sum(c["count"] for c in route("/api/v1/trips/counts")["counts"]) > 0, "trips by weeks")
route("/api/v1/trips/counts", f"/api/v1/trips/counts?unit={unit}&step=86400")
route("/api/v1/trips/counts", "/api/v1/trips/counts?step=3600", wanted=400)
route("/api/v1/trips", "/api/v1/trips?from=2026-01-01T00:00:00Z&to=2025-01-01T00:00:00Z", wanted=400)
is_there(route("/api/v1/trips.csv").count(b"\r\n") > 10, "trips as a table")
is_there(b"near_overload" in route("/api/v1/alarms.csv"), "alarms as a table")

contractor = route("/api/v1/contractors")["contractors"][0]["person"]
number = post("/api/v1/orders", "/api/v1/orders", {"unit": unit, "title": "Look at breaker 7", "circuit": "main-07", "trip": one["trips"][0]["trip"], "due": soon(days=2)})["order"]
post("/api/v1/orders", "/api/v1/orders", {"unit": "nowhere", "title": "x"}, 404)
post("/api/v1/orders", "/api/v1/orders", {"unit": unit}, 400)


def act(name, body, wanted=200, order=None):
    return post("/api/v1/orders/{id}/" + name, f"/api/v1/orders/{order or number}/{name}", body, wanted)


act("attach", {})
act("assign", {"contractor": contractor, "until": soon(days=1), "note": "key under the mat"})
act("assign", {"contractor": "nobody", "until": soon(days=1)}, 400)
act("assign", {"contractor": contractor, "until": soon(days=99)}, 409)
act("note", {"note": "call first"})
act("reopen", {}, 409)
act("done", {"note": "tightened"})
act("done", {"note": "again"}, 409)
act("attach", {}, 409)
act("reopen", {"note": "it opened again"})
act("cancel", {})
act("cancel", {}, 409)
act("note", {"note": "x"}, 404, 999999)
said = route("/api/v1/orders/{id}", f"/api/v1/orders/{number}")
is_there([x["act"] for x in said["history"]] == ["make", "attach", "assign", "note", "done", "reopen", "cancel"], f"what was done: {said['history']}")
is_there(said["sheet"] and said["sheet"]["trip"] and said["state"] == "cancelled", "the sheet goes along")
route("/api/v1/orders/{id}", "/api/v1/orders/x", wanted=404)
is_there(not route("/api/v1/orders")["orders"] and route("/api/v1/orders", "/api/v1/orders?all=true")["orders"], "orders that stand, and all")
is_there(b"Look at breaker 7" in route("/api/v1/orders.csv"), "orders as a table")

audit = route("/api/v1/audit")["audit"]
is_there({"place", "consent", "revoke", "order_make", "order_assign", "order_done"} <= {r["act"] for r in audit}, "who did what")
route("/api/v1/people")
for name, body in (("/api/v1/session", {"person": "a", "password": "b"}), ("/api/v1/session/choose", {}), ("/api/v1/session/password", {}), ("/api/v1/session/end", {}), ("/api/v1/people/{id}/invite", {}), ("/api/v1/people/{id}/end", {})):
    post(name, name.replace("{id}", "x"), body, 409)  # nobody logs in here
api.finish()
