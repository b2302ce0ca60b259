"""What a service manager would see: a notify socket (sd_notify(3)) whose messages are written down, and a hand that stops
one thread of a program by ptrace(2), as a deadlock would.

    service.py listen SOCKET FILE [SECONDS]   writes each message as a line "<seconds since the start> <message>"
    service.py freeze PID THREAD SECONDS      stops the thread of that name, and lets it go after so long
"""
import ctypes
import os
import socket
import sys
import time


def listen(path, out):
    s = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
    s.bind(path)
    began = time.monotonic()
    with open(out, "w", buffering=1) as f:
        print("listening", flush=True)
        while True:
            text = s.recv(4096).decode().replace("\n", " ")
            f.write(f"{time.monotonic() - began:.2f} {text}\n")


SEIZE, INTERRUPT, DETACH = 0x4206, 0x4207, 17  # linux/ptrace.h


def ptrace(request, tid):
    libc = ctypes.CDLL(None, use_errno=True)
    libc.ptrace.argtypes = [ctypes.c_long, ctypes.c_long, ctypes.c_void_p, ctypes.c_void_p]
    libc.ptrace.restype = ctypes.c_long
    if libc.ptrace(request, tid, None, None) != 0:
        error = ctypes.get_errno()
        print(f"ptrace: {os.strerror(error)}")
        sys.exit(77 if error == 1 else 1)  # EPERM: this machine lets nobody do that


def freeze(pid, name, seconds):
    for tid in os.listdir(f"/proc/{pid}/task"):
        if open(f"/proc/{pid}/task/{tid}/comm").read().strip() == name:
            ptrace(SEIZE, int(tid))
            ptrace(INTERRUPT, int(tid))
            os.waitpid(int(tid), 0x40000000)  # __WALL: threads too
            print("frozen", flush=True)
            time.sleep(seconds)
            ptrace(DETACH, int(tid))
            print("released", flush=True)
            return
    sys.exit(f"no thread {name}")


if sys.argv[1] == "listen":
    listen(*sys.argv[2:4])
else:
    freeze(int(sys.argv[2]), sys.argv[3], float(sys.argv[4]))
