"""mail_server.py PORT CERT KEY DIR WAY - a real mail server (aiosmtpd) with manners on request.

WAY: starttls (TLS and a login are needed), tls (from the first byte), clear (neither is offered).
The word in DIR/manners is looked at for each mail: ok, busy (451), stall (says nothing more), drop
(hangs up in the middle). Mail for lee@ is refused (550). What was taken is a JSON line in DIR/mail:
decoded by Python's email package, which is nobody of ours.
"""
import asyncio
import email
import email.policy
import json
import ssl
import sys
import threading

from aiosmtpd.controller import Controller
from aiosmtpd.smtp import AuthResult, LoginPassword

port, cert, key, folder, way = int(sys.argv[1]), *sys.argv[2:6]


def manners():
    with open(folder + "/manners") as f:
        return f.read().strip()


class Handler:
    async def handle_RCPT(self, server, session, envelope, address, options):
        if address.startswith("lee@"):
            return "550 5.1.1 no such mailbox here"
        envelope.rcpt_tos.append(address)
        return "250 OK"

    async def handle_DATA(self, server, session, envelope):
        word = manners()
        if word == "busy":
            return "451 4.3.0 come back later"
        if word == "stall":
            await asyncio.sleep(600)
        if word == "drop":
            server.transport.abort()
            return "421 bye"
        m = email.message_from_bytes(envelope.content, policy=email.policy.default)
        parts = {p.get_content_type(): p.get_content() for p in m.walk() if not p.is_multipart()}
        taken = {"to": envelope.rcpt_tos, "from": envelope.mail_from, "tls": bool(session.ssl),
                 "login": bool(session.authenticated), "subject": str(m["Subject"]), "id": m["Message-ID"],
                 "date": m["Date"], "header_from": str(m["From"]), "header_to": str(m["To"]), "auto": m["Auto-Submitted"],
                 "importance": m["Importance"], "plain": parts.get("text/plain"),
                 "html": parts.get("text/html"), "defects": [str(d) for p in m.walk() for d in p.defects],
                 "longest": max(len(line) for line in envelope.content.split(b"\r\n"))}
        with open(folder + "/mail", "a") as f:
            f.write(json.dumps(taken) + "\n")
        return "250 taken"


def login(server, session, envelope, mechanism, data):
    good = isinstance(data, LoginPassword) and data.login == b"alder-31" and data.password == b"s3cret word"
    return AuthResult(success=good)


def main():
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(cert, key)
    kw = {}
    if way == "starttls":
        kw = dict(tls_context=context, require_starttls=True, auth_required=True, authenticator=login)
    elif way == "tls":
        kw = dict(ssl_context=context, auth_require_tls=False, auth_required=True, authenticator=login)
    Controller(Handler(), hostname="127.0.0.1", port=port, **kw).start()
    threading.Event().wait()


main()
