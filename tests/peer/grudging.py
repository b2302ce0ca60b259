"""grudging.py PORT TOPIC - an MQTT 5 broker that grants nothing it need not.

Refuses every subscription (0x87, not authorized) and every message for TOPIC; acknowledges the rest,
in pairs and the second of a pair first, as a broker may. Prints the topics it has acknowledged.
"""
import socket
import sys


def packets(stream):
    while True:
        head = stream.read(1)
        if not head:
            return
        length, shift = 0, 0
        while True:
            byte = stream.read(1)[0]
            length |= (byte & 0x7F) << shift
            shift += 7
            if not byte & 0x80:
                break
        yield head[0], stream.read(length)


def serve(client, denied):
    held = []
    for head, body in packets(client.makefile("rb")):
        kind = head >> 4
        if kind == 1:
            client.sendall(b"\x20\x03\x00\x00\x00")
        elif kind == 8:
            client.sendall(b"\x90\x04" + body[:2] + b"\x00\x87")
        elif kind == 3 and head & 6:
            n = int.from_bytes(body[:2], "big")
            topic, mid = body[2 : 2 + n].decode(), body[2 + n : 4 + n]
            held.append(b"\x40\x03" + mid + (b"\x87" if topic == denied else b"\x00"))
            if topic != denied:
                print(topic, flush=True)
        elif kind == 12:
            client.sendall(b"\xd0\x00")
        if kind != 3 or len(held) == 2 or (held and "/up" in topic) or "/status" in topic:
            client.sendall(b"".join(reversed(held)))
            held.clear()


with socket.create_server(("127.0.0.1", int(sys.argv[1]))) as server:
    while True:
        connection, _ = server.accept()
        with connection:
            try:
                serve(connection, sys.argv[2])
            except OSError:
                pass  # the client is gone
