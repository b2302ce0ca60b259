"""mqtt_commands.py PORT RECORD - asks the gateway of the test beside it for everything, as everybody, and for nonsense."""
import json
import sqlite3
import queue
import sys
import time

import paho.mqtt.client as mqtt
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

port, record = sys.argv[1:]
OWN = "foretrip/alder-31/command/"
PEOPLE = {"rita": "resident", "elmo": "electrician", "mona": "manager", "adam": "administrator"}
ALL = "resident electrician manager administrator".split()
asked = 0


def ask(topic, payload, seconds=20):
    """the answer as an object; None: there was none"""
    global asked
    asked += 1
    properties = Properties(PacketTypes.PUBLISH)
    properties.ResponseTopic = "desk/answers"
    properties.CorrelationData = b"%d" % asked
    payload = payload if isinstance(payload, bytes) else json.dumps(payload).encode()
    client.publish(OWN + topic, payload, qos=1, properties=properties)
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        try:
            message = answers.get(timeout=1)
        except queue.Empty:
            continue
        if message.properties.CorrelationData == b"%d" % asked:
            return json.loads(message.payload)
    return None


answers = queue.Queue()
client = mqtt.Client(client_id="desk", protocol=mqtt.MQTTv5)
client.on_message = lambda c, userdata, message: answers.put(message)
client.connect("127.0.0.1", int(port))
client.subscribe("desk/answers", qos=1)
client.loop_start()


def rows(what):
    return sqlite3.connect("file:%s?mode=ro" % record, uri=True, timeout=20).execute(what).fetchall()


def kept():
    """what a command may change: alarms, and all events but those of loads and of the house itself"""
    return (rows("SELECT id, state, json FROM alarms ORDER BY id"),
            rows("SELECT count(*) FROM events WHERE type IN ('trip_note', 'trip_corrected', 'breaker_replaced', 'call')"))


def check(good, what):
    if not good:
        sys.exit("not so: %s" % (what,))


trip = rows("SELECT id FROM trips WHERE circuit = 'main-07' ORDER BY id LIMIT 1")[0][0]
alarm = rows("SELECT id FROM alarms WHERE id = 'main-07.trip'")[0][0]

# ---- every verb, by every role; the last one that may really does it
shelf = {"alarm": alarm, "note": "seen"}
call = {}
VERBS = [  # verb, payload, who may
    ("status", {}, ALL),
    ("circuits", {}, "resident electrician administrator"),
    ("history", {"circuit": "main-07", "points": 4}, "resident electrician administrator"),
    ("acknowledge", {"alarm": alarm, "by": "somebody else"}, ALL),
    ("shelve", dict(shelf, seconds=600), ALL),
    ("shelve", dict(shelf, seconds=86401), "electrician manager administrator"),
    ("unshelve", {"alarm": alarm}, ALL),
    ("out-of-service", {"alarm": alarm}, "electrician administrator"),
    ("in-service", {"alarm": alarm}, "electrician administrator"),
    ("note", {"trip": trip, "note": "the heater was on"}, ALL),
    ("correct-cause", {"trip": trip, "cause": "overload"}, "electrician administrator"),
    ("breaker-replaced", {"circuit": "main-07", "note": "a new 15 A"}, "electrician administrator"),
    ("name-load", {"load": "main-07/1", "name": "heater"}, "resident electrician administrator"),
    ("call-begin", {"circuit": "main-10", "as": "electrician"}, "electrician administrator"),
    ("call-begin", {"circuit": "main-09", "as": "occupant"}, "resident electrician administrator"),
    ("call-answer", {"call": call, "question": 1, "answer": "clear", "as": "occupant"}, "resident electrician administrator"),
    ("call-answer", {"call": call, "answer": "take_over", "as": "electrician"}, "electrician administrator"),
    ("call-answer", {"call": call, "answer": "danger", "danger": "water"}, ALL),
]
for verb, payload, may in VERBS:
    done = 0
    for person, role in PEOPLE.items():
        if payload.get("call") is call:
            payload = dict(payload, call=call.get("id", "none"))
        before = kept()
        answer = ask("%s/%s" % (verb, person), payload)
        check(answer, "%s by %s is answered" % (verb, role))
        refused = " as %s may not ask for %s" % (role, verb) in answer.get("error", "")
        check(refused == (role not in may), (verb, role, payload, answer))
        done += answer["ok"]
        if refused:
            check(not answer["ok"] and kept() == before, "%s by %s was refused and changed something" % (verb, role))
        elif "call" in answer:
            call["id"] = answer["call"]
    check(done, "%s is done for somebody: %s" % (verb, answer))
names = {r[0] for r in rows("SELECT json_extract(json, '$.by') FROM events WHERE type = 'alarm' AND json LIKE '%\"by\"%'")}
check("somebody else" not in names and names <= {"Rita Osei", "Elmo Reyes", "Mona Ito", "Adam Kay"}, names)
check(rows("SELECT count(*) FROM events WHERE type = 'trip_note'")[0][0] == 4, "four notes are kept")
check(rows("SELECT count(*) FROM events WHERE type = 'trip_corrected'")[0][0] == 1, "one correction is kept, once")

# ---- what is no command
deep = b'{"alarm":' + b"[" * 4000 + b"]" * 4000 + b"}"
BAD = [
    (b"nonsense", "line 1, column"), (b"[]", "a command is a JSON object"), (b"{}", "'alarm' is missing"),
    (b'{"alarm":7}', "'alarm' must be a text"), (b'{"alarm":"a"} {}', "line 1, column"), (b"{\n\n]", "line 3, column"),
    (b'{"alarm":"\xff\xfe"}', "line 1, column"), (b'{"alarm":"a\x00b"}', "line 1, column"), (b"\x00" * 40, "line 1, column"),
    (b'{"alarm":"a","alarm":"b"}', "line 1, column"), (deep, "line 1, column"),
    (b'{"alarm":"%s"}' % (b"x" * 500), "'alarm' is longer than"),
    (b'{"alarm":"%s","note":"%s"}' % (alarm.encode(), b"x" * 512), "'note' is longer than 511 bytes"),
    (b" " * 8193, "the command is longer than 8192 bytes"), (b"x" * 300000, "the command is longer than 8192 bytes"),
    (b'{"alarm":"nothing.trip"}', "there is no alarm of that id"), (b'{"alarm":"' + alarm.encode() + b'/../x"}', "no alarm"),
]
before = kept()
for payload, says in BAD:
    for verb in ("acknowledge", "out-of-service"):
        answer = ask(verb + "/elmo", payload)
        check(answer and not answer["ok"] and says in answer["error"], (verb, payload[:60], answer))
for topic, says in (("acknowlege/elmo", "did you mean 'acknowledge'"), ("reset/elmo", "there is no command 'reset'"),
                    ("acknowledge/elmo/more", "is no id of a person"), ("acknowledge/nobody", "has no person 'nobody'"),
                    ("acknowledge", "commands here go to command/acknowledge/<person>")):
    answer = ask(topic, {"alarm": alarm, "by": "Jo"})
    check(answer and not answer["ok"] and says in answer["error"], (topic, answer))
check(kept() == before, "what could not be read changed something")
check(ask("status/adam", {})["ok"], "it still answers")
print("%d commands: every verb by every role, %d that are none" % (asked, 2 * len(BAD) + 5))
