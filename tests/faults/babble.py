"""babble.py PORT - a device that says bytes without end to everybody who connects, of a fixed seed."""
import random
import socket
import sys
import threading
import time


def babble(client):
    dice = random.Random(3)
    try:
        while True:
            client.sendall(dice.randbytes(64))
            time.sleep(0.01)
    except OSError:
        client.close()


with socket.create_server(("127.0.0.1", int(sys.argv[1]))) as server:
    while True:
        accepted, _ = server.accept()
        threading.Thread(target=babble, args=(accepted,), daemon=True).start()
