#!/usr/bin/env python3
"""mutants.py BUILD [FILE..] - whether the tests would notice a fault in the analysis: one operator or constant at a time is
turned into another, and the tests run that call the file or one that calls it, those named after it first, until one fails; the
recorded situations (tests/scenario/replays.sh) come last.

With FILE, those sources of gateway/analysis; else all of the core (CORE). MUTANTS how many of each file (6; 0: every one), drawn with
SEED (1). What the compiler gives the same program for is the same program, and not counted. A mutant that is never noticed lives: it
is printed with its place. JOBS at a time (2). The environment has CC, CPPFLAGS, CFLAGS, LDFLAGS, LIBS, HELPERS, HELD and TOOL, as
make knows them (make mutants).
"""
import concurrent.futures, hashlib, os, random, re, shutil, subprocess, sys, tempfile

CORE = ["heat", "hypotheses", "breaker", "breaker_limits", "forecast", "outlook", "overload_rules", "near_overload", "habits", "joins", "steps", "runs", "runs_fit",
        "runs_level", "runs_rest", "runs_return", "runs_train", "loads", "loads_part", "loads_sheet", "learned", "stages", "series", "evidence",
        "evidence_judge", "causes", "falls", "stillness", "step_sizes", "trips", "trips_case", "trips_scope", "trips_feeder", "trips_review",
        "alarms", "trip_alarms", "suppression", "code_rules", "balance", "neutral_steps", "shared_neutral", "permissible", "essential", "demand"]
MOST_TESTS = 16
SECONDS = 60  # of one test: beyond, a mutant that never ends has been noticed

# What is flipped: a pattern and what takes its place. Each place counts once for each pattern that fits it.
FLIPS = [(r" < ", " <= "), (r" <= ", " < "), (r" > ", " >= "), (r" >= ", " > "), (r" == ", " != "), (r" != ", " == "), (r" && ", " || "), (r" \|\| ", " && "),
         (r" \+ ", " - "), (r" - ", " + "), (r" \* ", " / "), (r" / ", " * "), (r" \+= ", " -= "), (r" -= ", " += "), (r"\+\+", "--"), (r"\bfminf\(", "fmaxf("),
         (r"\bfmaxf\(", "fminf("), (r"\bfmin\(", "fmax("), (r"\bfmax\(", "fmin("), (r"return true;", "return false;"), (r"return false;", "return true;"),
         (r"if \((?!!)", "if (!"), (r"(?<![\w.])(\d+\.\d+)F?(?![\w.])", None), (r"(?<![\w.\[])([1-9]\d*)(?![\w.\]])", None)]


def code_only(text):
    """the same length, with comments, strings and includes blanked"""
    blank = lambda m: re.sub(r"[^\n]", " ", m.group(0))
    text = re.sub(r"/\*.*?\*/", blank, text, flags=re.S)
    return re.sub(r'"(\\.|[^"\\\n])*"|\'(\\.|[^\'\\\n])*\'|//[^\n]*|^#(?!define)[^\n]*|_Static_assert\([^;]*;', blank, text, flags=re.M)


def mutants_of(text):
    code, found = code_only(text), []
    for pattern, flip in FLIPS:
        for m in re.finditer(pattern, code):
            new = flip
            if flip is None:  # a constant: half as much again
                value = m.group(1)
                new = m.group(0).replace(value, repr(float(value) * 1.5) if "." in value else str(int(value) + max(1, int(value) // 2)))
            elif new == "if (!":
                new = "if (!("  # the whole condition
                depth, end = 1, m.end()
                while depth:
                    depth += {"(": 1, ")": -1}.get(code[end], 0)
                    end += 1
                found.append((m.start(), text[:m.start()] + new + text[m.end():end - 1] + ")" + text[end - 1:], "if (..) to if (!(..))"))
                continue
            found.append((m.start(), text[:m.start()] + new + text[m.end():], "%s to %s" % (m.group(0).strip(), new.strip())))
    return found


class House:
    """the tests as they are built, and which of them a file matters to"""

    def __init__(self, build):
        self.build, self.env = build, os.environ
        self.tests = sorted(f for f in os.listdir(build + "/tests/unit") if f.startswith("test_") and "." not in f)
        helpers = [self.symbols(h) for h in self.env["HELPERS"].split()]
        self.files = [self.symbols("%s/gateway/%s/%s" % (build, layer, f)) for layer in os.listdir(build + "/gateway")
                      for f in os.listdir("%s/gateway/%s" % (build, layer)) if f.endswith(".o")]
        self.uses = {}
        for t in self.tests:
            used = self.symbols("%s/tests/unit/%s.o" % (build, t))[1]
            self.uses[t] = used.union(*[h[1] for h in helpers if h[0] & used])

    @staticmethod
    def symbols(path):
        """what it defines and what it uses of others"""
        lines = [line.split() for line in subprocess.run(["nm", path], capture_output=True, text=True).stdout.splitlines()]
        return {x[-1] for x in lines if x[-2] in "TDRB"}, {x[-1] for x in lines if x[-2] == "U"}

    def tests_of(self, name):
        """those that call the file, or what calls it, and so on until there are some"""
        own = called = self.symbols("%s/gateway/analysis/%s.o" % (self.build, name))[0]
        those = []
        for hops in range(4):
            if hops > 0:
                called = called.union(*[f[0] for f in self.files if f[1] & called])
            those = [t for t in self.tests if self.uses[t] & called]
            if hops > 0 and len(those) >= 3:
                break
        stem = name.split("_")[0].rstrip("s")
        near = lambda t: 0 if t == "test_" + name else 1 if self.uses[t] & own else 2 if t[5:].startswith(stem) else 3
        return sorted(those, key=lambda t: (near(t), t))[:MOST_TESTS]

    def compile(self, source, target):
        run = subprocess.run("%s %s %s -w -c -o %s %s" % (self.env["CC"], self.env["CPPFLAGS"] + " -Igateway/analysis", re.sub(r"-MMD|-MP|-Werror|\s-g\b", "", self.env["CFLAGS"]),
                                                       target, source), shell=True, capture_output=True)
        return run.returncode == 0

    def link(self, program, objects, thing, more):
        run = subprocess.run("%s %s -o %s %s %s %s/libforetrip.a %s %s" % (self.env["CC"], self.env["LDFLAGS"], program, objects, thing, self.build, self.env["LIBS"], more),
                             shell=True, capture_output=True, text=True)
        if run.returncode:
            sys.exit("%s cannot be linked: %s" % (program, run.stderr[-400:]))

    @staticmethod
    def fails(command):
        try:
            return subprocess.run(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, timeout=SECONDS).returncode != 0
        except subprocess.TimeoutExpired:
            return True

    def notices(self, test, thing, where):
        program = "%s/%s" % (where, test)
        wraps = " ".join("-Wl,--wrap=" + w for w in self.env["HELD"].split())
        self.link(program, "%s/tests/unit/%s.o %s" % (self.build, test, self.env["HELPERS"]), thing, "-lcmocka " + wraps)
        failed = self.fails([program])
        os.remove(program)
        return failed

    def situations_notice(self, thing, where):
        self.link(where + "/foretrip", self.env["TOOL"], thing, "")
        return self.fails(["sh", "tests/scenario/replays.sh", where])


def digest(path):
    """of the code and data in it: not of where it came from"""
    out = subprocess.run(["objcopy", "-O", "binary", "-j", ".text*", "-j", ".rodata*", "-j", ".data*", path, path + ".bin"], capture_output=True)
    with open(path + ".bin" if out.returncode == 0 else path, "rb") as f:
        return hashlib.sha256(f.read() + subprocess.run(["objdump", "-dr", "--no-show-raw-insn", path], capture_output=True).stdout.split(b"\n", 3)[-1]).digest()


def judge(house, name, tests, mutant, same):
    """"same", "noticed" or "lives"; None: it is no program"""
    _, text, _ = mutant
    where = tempfile.mkdtemp(prefix="foretrip-mutant.")
    try:
        with open("%s/%s.c" % (where, name), "w") as f:
            f.write(text)
        if not house.compile("%s/%s.c" % (where, name), where + "/m.o"):
            return None
        if digest(where + "/m.o") == same:
            return "same"
        noticed = any(house.notices(t, where + "/m.o", where) for t in tests) or (not os.environ.get("TESTS") and house.situations_notice(where + "/m.o", where))
        return "noticed" if noticed else "lives"
    finally:
        shutil.rmtree(where)


def main(build, files):
    house, total, noticed, lives = House(build), 0, 0, []
    most, draw = int(os.environ.get("MUTANTS", "6")), random.Random(int(os.environ.get("SEED", "1")))
    names = [os.path.basename(f)[:-2] for f in files] or CORE
    where = tempfile.mkdtemp(prefix="foretrip-mutants.")
    print("file                    mutants  noticed  live", flush=True)
    with concurrent.futures.ThreadPoolExecutor(int(os.environ.get("JOBS", "2"))) as pool:
        for name in names:
            source = "gateway/analysis/%s.c" % name
            text, tests = open(source).read(), os.environ.get("TESTS", "").split() or house.tests_of(name)
            shutil.copy(source, "%s/%s.c" % (where, name))
            if not house.compile("%s/%s.c" % (where, name), where + "/plain.o"):
                sys.exit(source + " does not compile as it is")
            if any(house.notices(t, where + "/plain.o", where) for t in tests[:1]):
                sys.exit("%s fails as it is" % tests[0])
            all_of = mutants_of(text)
            some = all_of if most == 0 or most > len(all_of) else draw.sample(all_of, most)
            same = digest(where + "/plain.o")
            results = list(pool.map(lambda m: judge(house, name, tests, m, same), some))
            count = sum(r in ("noticed", "lives") for r in results)
            total += count
            noticed += results.count("noticed")
            print("%-24s %6d %8d %5d" % (name, count, results.count("noticed"), results.count("lives")), flush=True)
            for m, r in zip(some, results):
                if r == "lives":
                    line = text.count("\n", 0, m[0]) + 1
                    lives.append("%s:%d: %s | %s" % (source, line, m[2], text.splitlines()[line - 1].strip()))
    shutil.rmtree(where)
    print("\n".join(["", "those that live:"] + lives) if lives else "")
    print("%d of %d mutants noticed (%.0f %%), SEED=%s" % (noticed, total, 100.0 * noticed / max(total, 1), os.environ.get("SEED", "1")))


main(sys.argv[1], sys.argv[2:])
