"""Two people at a terminal: one answers foretrip commission, the other switches the load when it says so.

    commission_walk.py HANDS ANSWERS -- COMMAND...

COMMAND gets a terminal of its own. ANSWERS is a file of lines "QUESTION <tab> ANSWER <tab> LOAD": when QUESTION stands at the end of
what was printed, ANSWER is typed; LOAD (may be empty) is what hangs on the switch from then on. At "ON now" and "OFF now" a line
"on LOAD" or "off LOAD" is appended to HANDS, which foretrip-house reads. All of the output goes to standard output."""
import os
import pty
import select
import sys
import time

hands, answers, command = sys.argv[1], sys.argv[2], sys.argv[4:]
todo = [line.rstrip("\n").split("\t") for line in open(answers)]
pid, terminal = pty.fork()
if pid == 0:
    os.execv(command[0], command)
seen, load, begun = "", "", time.monotonic()


def switch(act):
    with open(hands, "a") as f:
        f.write(f"{act} {load}\n")


while time.monotonic() - begun < 900:
    ready, _, _ = select.select([terminal], [], [], 1.0)
    if not ready:
        continue
    try:
        got = os.read(terminal, 4096).decode(errors="replace")
    except OSError:  # the far end is closed
        break
    sys.stdout.write(got)
    sys.stdout.flush()
    seen += got
    while load and ("ON now" in seen or "OFF now" in seen):
        on, off = seen.find("ON now"), seen.find("OFF now")
        first_on = on >= 0 and (off < 0 or on < off)
        switch("on" if first_on else "off")
        seen = seen[(on if first_on else off) + 7:]
    if todo and todo[0][0] in seen:
        _, answer, load = todo.pop(0)
        seen = ""
        os.write(terminal, answer.encode() + b"\n")
else:
    sys.exit("it took too long")
status = os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1])
if todo:
    sys.exit(f"never asked: {todo[0][0]} (exit {status})")
sys.exit(status)
