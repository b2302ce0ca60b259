"""An interface for programs against its description: every answer must be what the OpenAPI file says."""
import json
import urllib.error
import urllib.request

KINDS = {"object": dict, "array": list, "string": str, "boolean": bool, "null": type(None)}


class Api:
    """base: where it is served; file: its description. Faults gather in `faults`, routes that were asked in `asked`."""

    def __init__(self, base, file):
        self.base = base.rstrip("/")
        self.file = file
        self.doc = json.load(open(file, encoding="utf-8"))
        self.faults = []
        self.asked = set()

    def resolve(self, schema):
        while "$ref" in schema:
            at = self.doc
            for part in schema["$ref"].lstrip("#/").split("/"):
                at = at[part]
            schema = at
        return schema

    def check(self, value, schema, where):
        """A list of faults: the subset of JSON Schema that the file uses, and no member that it does not know."""
        schema = self.resolve(schema)
        if "anyOf" in schema:
            ways = [self.check(value, s, where) for s in schema["anyOf"]]
            return min(ways, key=len) if all(ways) else []
        if "allOf" in schema:
            known = set()
            out = []
            for s in schema["allOf"]:
                known |= set(self.resolve(s)["properties"])
                out += self.check({k: v for k, v in value.items() if k in self.resolve(s)["properties"]}, s, where)
            return out + [f"{where}: {k} is not in the file" for k in value if k not in known]
        kind = schema.get("type")
        if kind in ("number", "integer"):
            if isinstance(value, bool) or not isinstance(value, (int, float)) or (kind == "integer" and not isinstance(value, int)):
                return [f"{where}: {value!r} is no {kind}"]
            if not schema.get("minimum", value) <= value <= schema.get("maximum", value):
                return [f"{where}: {value!r} is out of bounds"]
            return []
        if kind and not isinstance(value, KINDS[kind]):
            return [f"{where}: {value!r:.60} is no {kind}"]
        if "enum" in schema and value not in schema["enum"]:
            return [f"{where}: {value!r} is none of {schema['enum']}"]
        if kind == "array":
            return [f for i, v in enumerate(value) for f in self.check(v, schema["items"], f"{where}[{i}]")]
        if kind == "object":
            out = [f"{where}: {k} is missing" for k in schema.get("required", []) if k not in value]
            for k, v in value.items():
                if k in schema["properties"]:
                    out += self.check(v, schema["properties"][k], f"{where}.{k}")
                elif "additionalProperties" in schema:
                    out += self.check(v, schema["additionalProperties"], f"{where}.{k}")
                elif not self.is_event(schema):
                    out.append(f"{where}: {k} is not in the file: {self.file} has to be told of it")
            return out
        return []

    def is_event(self, schema):
        """Events of all types share one schema that names what they have in common."""
        return schema is self.doc["components"]["schemas"].get("Event")

    def ask(self, path, method="GET", body=None, headers=None):
        data = json.dumps(body).encode() if body is not None else None
        h = {"Content-Type": "application/json"} if data else {}
        h.update(headers or {})
        r = urllib.request.Request(self.base + path, data=data, method=method, headers=h)
        try:
            with urllib.request.urlopen(r, timeout=20) as answer:
                return answer.status, answer.headers, answer.read()
        except urllib.error.HTTPError as e:
            return e.code, e.headers, e.read()

    def compare(self, route, path, method="GET", body=None, wanted=200):
        status, headers, text = self.ask(path, method, body)
        where = f"{method} {path}"
        if status != wanted:
            self.faults.append(f"{where}: {status} instead of {wanted}: {text[:200]!r}")
            return None
        said = self.doc["paths"][route][method.lower()]["responses"]
        content = said.get(str(status), said["default"])["content"]
        kind = headers["Content-Type"].split(";")[0]
        if kind not in content:
            self.faults.append(f"{where}: {kind} is not in the file")
        for header in ("Content-Security-Policy", "X-Content-Type-Options", "Referrer-Policy"):
            if header not in headers:
                self.faults.append(f"{where}: no {header}")
        if kind != "application/json" or "schema" not in content.get(kind, {}):
            return text
        value = json.loads(text)
        self.faults.extend(self.check(value, content[kind]["schema"], where))
        return value

    def route(self, name, path=None, **kw):
        self.asked.add(name)
        return self.compare(name, path or name, **kw)

    def finish(self):
        """Every route of the file was asked; prints the faults and ends with 1 when there are any."""
        for name in self.doc["paths"]:
            if name not in self.asked:
                self.faults.append(f"{name} is in the file and was not asked")
        for f in self.faults[:40]:
            print(f)
        print(f"{len(self.asked)} of {len(self.doc['paths'])} routes asked, {len(self.faults)} faults")
        raise SystemExit(1 if self.faults else 0)
