"""hook_server.py PORT CERT KEY DIR - a webhook's receiver over HTTPS, with manners by path.

/good takes it; /later answers 503 twice, then takes it; /gone answers 410; /stall says nothing;
/drop hangs up after the request. What was taken is a JSON line in DIR/hooks.
"""
import json
import socket
import ssl
import sys
import threading
import time
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

port, cert, key, folder = int(sys.argv[1]), *sys.argv[2:5]
lock = threading.Lock()
seen = {}


class Handler(BaseHTTPRequestHandler):
    protocol_version = "HTTP/1.1"

    def do_POST(self):
        body = self.rfile.read(int(self.headers["Content-Length"]))
        tries = seen[self.path, body] = seen.get((self.path, body), 0) + 1
        if self.path == "/stall":
            time.sleep(600)
        if self.path == "/drop":
            self.connection.shutdown(socket.SHUT_RDWR)
            self.close_connection = True
            return
        code = 410 if self.path == "/gone" else 503 if self.path == "/later" and tries <= 2 else 204
        if code == 204:
            with lock, open(folder + "/hooks", "a") as f:
                f.write(json.dumps({"path": self.path, "token": self.headers["Authorization"],
                                    "key": self.headers["Idempotency-Key"], "type": self.headers["Content-Type"],
                                    "letter": json.loads(body)}) + "\n")
        self.send_response(code)
        self.send_header("Content-Length", "0")
        self.end_headers()

    def log_message(self, *args):
        pass


def main():
    server = ThreadingHTTPServer(("127.0.0.1", port), Handler)
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(cert, key)
    server.socket = context.wrap_socket(server.socket, server_side=True, do_handshake_on_connect=False)
    server.serve_forever()


main()
