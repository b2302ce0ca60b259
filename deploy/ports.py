"""Prints COUNT free loopback ports: ports.py [COUNT]. Imported: free_port().

They lie below the range that the kernel hands to outgoing connections, and one after another for everybody who asks on this
machine, so that a port which is found free is not another test's, nor a client's, before its server listens on it."""

import fcntl
import os
import socket
import sys
import tempfile

FIRST = 10000


def last():
    try:
        with open("/proc/sys/net/ipv4/ip_local_port_range") as f:
            low = int(f.read().split()[0])
    except OSError:
        low = 32768
    return low - 1 if low > FIRST + 2000 else 32767


def is_free(port):
    with socket.socket() as s:
        s.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)  # as the servers do: one that waits for late packets is free
        try:
            s.bind(("127.0.0.1", port))
        except OSError:
            return False
        return True


def free_ports(count):
    found = []
    with open(os.path.join(tempfile.gettempdir(), f"foretrip-ports.{os.getuid()}"), "a+") as kept:
        fcntl.flock(kept, fcntl.LOCK_EX)
        kept.seek(0)
        port = int(kept.read() or FIRST)
        for _ in range(last() - FIRST):
            port = port + 1 if FIRST <= port < last() else FIRST
            if is_free(port):
                found.append(port)
            if len(found) == count:
                break
        else:
            raise OSError("no port is free")
        kept.truncate(0)
        kept.write(str(port))
    return found


def free_port():
    return free_ports(1)[0]


if __name__ == "__main__":
    print(*free_ports(int(sys.argv[1]) if len(sys.argv) > 1 else 1))
