"""homie_rules.py FILE DOMAIN DEVICE - what was heard below DOMAIN/5, held against the rules of Homie 5.

FILE has lines of "topic<TAB>qos<TAB>retained<TAB>hex of the payload", in the order of their coming, from a subscriber that
asked with Retain As Published. Prints a summary as JSON; exits 1 with the faults. Source of each rule: Homie
Convention 5 (github.com/homieiot/convention), sections "Topic IDs", "Payload", "Devices", "Properties", "Alerts".
"""
import json
import re
import sys

ID = re.compile(r"^[a-z0-9-]+$")
STATES = {"init", "ready", "disconnected", "sleeping", "lost"}
DATATYPES = {"integer", "float", "boolean", "string", "enum", "color", "datetime", "duration", "json"}
DEVICE_KEYS = {"homie": str, "version": int, "nodes": dict, "name": str, "type": str, "children": list, "root": str,
               "parent": str, "extensions": list}
PROPERTY_KEYS = {"name": str, "datatype": str, "format": str, "settable": bool, "retained": bool, "unit": str}
faults = []


def want(good, text):
    if not good:
        faults.append(text)


def in_range(text, value):
    """[min]:[max][:step], open ends allowed"""
    ends = text.split(":")
    return ((ends[0] == "" or value >= float(ends[0])) and (ends[1] == "" or value <= float(ends[1])))


def valid(spec, payload):
    kind, form = spec["datatype"], spec.get("format")
    if kind == "integer":
        return re.fullmatch(r"-?\d+", payload) and (not form or in_range(form, int(payload)))
    if kind == "float":
        return re.fullmatch(r"-?\d+(\.\d+)?([eE]-?\d+)?", payload) and (not form or in_range(form, float(payload)))
    if kind == "boolean":
        return payload in ("true", "false")
    if kind == "enum":
        return payload in form.split(",")
    return kind == "string"


def check_description(d, state):
    want(state in ("init", "disconnected", "lost"), "$description while the device is " + str(state))
    for key, value in d.items():
        want(key in DEVICE_KEYS and isinstance(value, DEVICE_KEYS[key]), "$description has a wrong " + key)
    want(re.fullmatch(r"5\.\d+", d.get("homie", "")), "$description.homie")
    want(isinstance(d.get("version"), int) and not isinstance(d.get("version"), bool), "$description.version")
    for node, n in d.get("nodes", {}).items():
        want(ID.match(node), "node id " + node)
        for prop, p in n.get("properties", {}).items():
            where = node + "/" + prop
            want(ID.match(prop), "property id " + where)
            for key, value in p.items():
                want(key in PROPERTY_KEYS and isinstance(value, PROPERTY_KEYS[key]), where + " has a wrong " + key)
            want(p.get("datatype") in DATATYPES, where + " datatype")
            if p.get("datatype") in ("enum", "color"):
                want(p.get("format"), where + " needs a format")
            if p.get("datatype") in ("integer", "float") and "format" in p:
                want(re.fullmatch(r"(-?[\d.]+)?:(-?[\d.]+)?(:[\d.]+)?", p["format"]), where + " format " + p["format"])


def main():
    path, domain, device = sys.argv[1:4]
    base = "%s/5/%s/" % (domain, device)
    state, description, versions, states, retained = None, None, [], [], {}
    since_init = None
    for line in open(path):
        topic, qos, keep, hexed = line.rstrip("\n").split("\t")
        payload = bytes.fromhex(hexed).decode("utf-8")
        want(topic.startswith(base), "a topic elsewhere: " + topic)
        want(qos == "1", topic + " at QoS " + qos)  # 2 recommended; 1 acceptable when used for everything
        want(keep == "1", topic + " is not retained")
        want(not payload.startswith("\ufeff"), topic + " begins with a byte order mark")
        rest = topic[len(base):]
        if payload:
            retained[rest] = payload
        else:
            retained.pop(rest, None)
        if rest == "$state":
            want(payload in STATES, "$state " + payload)
            if payload == "init":
                since_init = set()
            if payload == "ready":
                want(state == "init", "ready after " + str(state))
                for node, n in description["nodes"].items():
                    for prop, p in n["properties"].items():
                        if p["datatype"] in ("boolean", "enum", "string") or node == "house":
                            want(node + "/" + prop in since_init, "ready before %s/%s was said" % (node, prop))
            state = payload
            states.append(payload)
        elif rest == "$description":
            description = json.loads(payload)
            check_description(description, state)
            versions.append(description["version"])
        elif rest.startswith("$alert/"):
            want(ID.match(rest[7:]), "alert id " + rest)
        elif payload:
            node, prop = rest.split("/")
            spec = (description or {}).get("nodes", {}).get(node, {}).get("properties", {}).get(prop)
            want(state in ("init", "ready"), "%s while %s" % (rest, state))
            want(spec, rest + " is not in the description")
            if since_init is not None:
                since_init.add(rest)
            if spec:
                value = "" if payload == "\0" else payload
                want(valid(spec, value), "%s = %r is no %s of format %s" % (rest, value, spec["datatype"], spec.get("format")))
                want(payload != "\0" or spec["datatype"] == "string", rest + " has an empty value")
    want(versions == sorted(versions), "versions go back: %s" % versions)
    print(json.dumps({"faults": faults[:20], "states": states, "versions": len(set(versions)), "nodes": len(description["nodes"]),
                      "alerts": sorted(k[7:] for k in retained if k.startswith("$alert/")),
                      "retained": sorted(k for k in retained if not k.startswith("$alert/"))}))
    sys.exit(1 if faults else 0)


main()
