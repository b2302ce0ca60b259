#!/usr/bin/python3
"""Do the events of a replay contain what a scenario expects?   compare.py EXPECTED EVENTS

EXPECTED has one JSON object a line. An event matches when it has every member of it with an equal
value (further members do not matter), where a value may also be
    {"least": A, "most": B}     A <= value <= B, one of them may be missing; times compare as text
    {"any": [A, B]}             one of these
    {"holds": [P, Q]}           a list with a different element for each pattern, in any order
Plain lines must be met in their order, each by an event after the one before. A line of one member
    {"never": PATTERN}          no event matches
    {"somewhere": PATTERN}      some event matches, wherever
stands outside of the order. Lines that begin with # are comments."""
import json
import sys


def matches(pattern, value):
    if isinstance(pattern, dict):
        keys = set(pattern)
        if keys and keys <= {"least", "most"}:
            return value is not None and pattern.get("least", value) <= value <= pattern.get("most", value)
        if keys == {"any"}:
            return any(matches(p, value) for p in pattern["any"])
        if keys == {"holds"}:
            return isinstance(value, list) and holds(pattern["holds"], value)
        return isinstance(value, dict) and all(k in value and matches(p, value[k]) for k, p in pattern.items())
    if isinstance(pattern, list):
        return isinstance(value, list) and len(pattern) == len(value) and all(map(matches, pattern, value))
    return pattern == value


def holds(patterns, values):
    if not patterns:
        return True
    return any(matches(patterns[0], v) and holds(patterns[1:], values[:i] + values[i + 1:])
               for i, v in enumerate(values))


def main(expected_path, events_path):
    with open(events_path) as f:
        events = [json.loads(line) for line in f]
    at, failed = 0, False

    def complain(line, what):
        nonlocal failed
        failed = True
        print("%s:%d: %s" % (expected_path, line, what))

    with open(expected_path) as f:
        lines = [(n, json.loads(x)) for n, x in enumerate(f, 1) if x.strip() and not x.startswith("#")]
    for n, pattern in lines:
        word, inner = next(iter(pattern.items())) if len(pattern) == 1 else (None, None)
        if word == "never":
            for e in events:
                if matches(inner, e):
                    complain(n, "an event that must not be: " + json.dumps(e))
                    break
        elif word == "somewhere":
            if not any(matches(inner, e) for e in events):
                complain(n, "no event matches " + json.dumps(inner))
        else:
            found = next((i for i in range(at, len(events)) if matches(pattern, events[i])), None)
            if found is None:
                complain(n, "no event after the one before matches " + json.dumps(pattern))
            else:
                at = found + 1
    if failed:
        shown = [e for e in events if e["type"] not in ("load_on", "load_off")]
        print("%d events, without loads:" % len(events))
        for e in shown[:60]:
            print("    " + json.dumps(e)[:400])
    return failed


sys.exit(main(*sys.argv[1:3]))
