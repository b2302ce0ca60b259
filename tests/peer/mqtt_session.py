"""mqtt_session.py DOC PORT DIR - runs the commands of DOC's session and compares what they say with what is shown.

A line of the section "A session" that begins with $ is a command, with the port shown there in the place of PORT; what
follows it until the next is what it says. What waits for a message is begun before the first command that asks. Numbers,
times and identifiers may be others; the members of every object shown, and its sentences without their numbers, may not.
"""
import json
import os
import re
import subprocess
import sys
import time

doc, port, folder = sys.argv[1:]
SHOWN_PORT = "47797"
WAIT = 240  # seconds for the house to warm up, to open and for a busy machine


def session():
    """[command, what is shown of it]"""
    section = open(doc).read().split("\n## A session\n")[1].split("\n## ")[0]
    found, more = [], False
    for line in section.split("\n"):
        if not line.startswith("    "):
            more = False
            continue
        text = line[4:]
        if more:
            found[-1][0] += " " + text.strip().rstrip("\\")
        elif text.startswith("$ "):
            found.append([text[2:].rstrip("\\"), []])
        elif found:
            found[-1][1].append(text.strip())
        more = (more or text.startswith("$ ")) and text.endswith("\\")
    return found


def begin(command):
    log = open(os.path.join(folder, "said-%d" % len(running)), "w+")
    command = command.replace(SHOWN_PORT, port).rstrip("& ").replace("1795717787", str(int(time.time()) - 40))
    # a client that hears nothing gives up
    command = re.sub(r"\bmosquitto_(sub|rr)\b", r"timeout %d mosquitto_\1" % WAIT, command)
    running.append((subprocess.Popen(["sh", "-c", "exec " + command if "|" not in command else command], stdout=log,
                                     stderr=subprocess.STDOUT, start_new_session=True), log))
    return running[-1]


def said(log):
    log.flush()
    return open(log.name).read()


def until(log, what):
    end = time.monotonic() + WAIT
    while not re.search(what, said(log)):
        if time.monotonic() > end:
            sys.exit("waited in vain for %s in\n%s" % (what, said(log)))
        time.sleep(0.1)
    return said(log)


def whole(process, log, command):
    if process.wait(WAIT) != 0:
        sys.exit("%s: exit %d\n%s" % (command, process.returncode, said(log)))
    return said(log)


def first_object(text):
    return json.JSONDecoder().raw_decode(text[text.index("{"):])[0]


def plain(sentence):
    """without what differs from run to run: numbers, and how sure it is"""
    return re.sub(r"\d+(\.\d+)?", "#", sentence).replace("probably ", "")


def compare(shown, real, where):
    for key, value in shown.items():
        if key not in real:
            sys.exit("%s: the document shows \"%s\", which is not said: %s" % (where, key, real))
        if key in ("text", "advice", "error") and plain(value) != plain(real[key]):
            sys.exit("%s: \"%s\" is said to be\n  %s\nand is\n  %s" % (where, key, value, real[key]))
        if key in ("ok", "alarm", "kind", "priority", "state", "circuit", "cause", "stage", "quantity", "points") and \
                value != real[key]:
            sys.exit("%s: \"%s\" is shown as %s and is %s" % (where, key, value, real[key]))


running = []
try:
    steps = session()
    names = ["alarms", "trip", "status", "acknowledge", "history", "about", "answers", "shelve"]
    if len(steps) != len(names):
        sys.exit("the session has %d commands, not %d: %s" % (len(steps), len(names), [c for c, _ in steps]))
    command = {n: c for n, (c, _) in zip(names, steps)}
    shown = {n: s for n, (_, s) in zip(names, steps)}

    for waits in ("alarms", "about", "answers"):
        begin(command[waits])
    alarms, about, answers = (log for _, log in running)
    heard = until(alarms, r"alarm/main-07\.trip \{.*\}\n")
    lines = {line.split(" ", 1)[0]: line.split(" ", 1)[1] for line in heard.strip().split("\n")}
    example = " ".join(shown["alarms"])
    if shown["alarms"][0] != "foretrip/alder-31/status online" or lines["foretrip/alder-31/status"] != "online":
        sys.exit("status: " + heard)
    compare(first_object(example), json.loads(lines["foretrip/alder-31/alarm/main-07.trip"]), "the alarm")

    trip = json.loads(whole(*begin(command["trip"]), command["trip"]))
    if trip["cause"] != "overload" or not 20 < trip["amps_before"] < 30 or not trip["loads"]:
        sys.exit("the trip's topic: %s" % trip)
    for line in shown["trip"]:
        key = re.match(r'"(\w+)":', line)
        if key and key[1] not in trip:
            sys.exit("the trip's topic has no \"%s\": %s" % (key[1], trip))

    for name in ("status", "acknowledge", "history"):
        real = json.loads(whole(*begin(command[name]), command[name]))
        compare(first_object("".join(shown[name])), real, name)
        if name == "history" and not all(len(real[k]) == 4 for k in ("least", "mean", "most", "seconds")):
            sys.exit("history: %s" % real)

    until(about, r"(?m)^type:trip circuit:main-07$")
    whole(*begin(command["shelve"]), command["shelve"])
    until(answers, "(?m)^%s$" % re.escape(shown["shelve"][0]))
    until(alarms, r'main-07\.trip \{.*"state":"shelved".*"by":"M\. Reyes"')
    print("%d commands, as shown" % len(steps))
finally:
    for process, log in running:
        if process.poll() is None:
            os.killpg(process.pid, 15)
            process.wait()
