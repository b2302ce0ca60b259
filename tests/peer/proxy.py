"""proxy.py LISTEN BROKER MODE - a broker with manners of its own, in front of a real one.

refuse5   answers an MQTT 5 CONNECT as a 3.1.1 broker may: return code 1, and hangs up
hangup5   hangs up on MQTT 5 without a word
deaf      takes the connection and never says anything
rude      passes on, until after a while (some KiB, of a fixed seed) it stalls for a second, resets the
          connection or closes one half of it
"""
import random
import select
import socket
import struct
import sys
import threading
import time


def level(connect):
    """protocol level of a CONNECT packet: after the remaining length, the name's length and MQTT"""
    at = 1
    while connect[at] & 0x80:
        at += 1
    return connect[at + 1 + 2 + 4]


def be_rude(client, real, dice):
    """passes on, then does something that networks do"""
    left = dice.randrange(4000, 60000)
    while left > 0:
        for side in select.select([client, real], [], [])[0]:
            data = side.recv(65536)
            if not data:
                return
            (real if side is client else client).sendall(data)
            left -= len(data)
    what = dice.choice(["stall", "reset", "half"])
    if what == "stall":
        time.sleep(1)
    elif what == "reset":
        client.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
    else:
        client.shutdown(socket.SHUT_WR)
        end = time.monotonic() + 1
        while time.monotonic() < end and select.select([client], [], [], 0.2)[0] and client.recv(65536):
            pass


def serve(client, broker, mode, dice):
    with client:
        if mode == "rude":
            try:
                with socket.create_connection(("127.0.0.1", broker)) as real:
                    be_rude(client, real, dice)
            except OSError:
                pass
            return
        if mode == "deaf":
            while client.recv(4096):
                pass
            return
        first = client.recv(4096)
        if not first:
            return
        if level(first) == 5:
            if mode == "refuse5":
                client.sendall(b"\x20\x02\x00\x01")
            return
        with socket.create_connection(("127.0.0.1", broker)) as real:
            real.sendall(first)
            while True:
                for side in select.select([client, real], [], [])[0]:
                    data = side.recv(65536)
                    if not data:
                        return
                    (real if side is client else client).sendall(data)


def main():
    listen, broker, mode = int(sys.argv[1]), int(sys.argv[2]), sys.argv[3]
    dice = random.Random(7)
    with socket.create_server(("127.0.0.1", listen)) as server:
        while True:
            client, _ = server.accept()
            threading.Thread(target=serve, args=(client, broker, mode, dice), daemon=True).start()


main()
