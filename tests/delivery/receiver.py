"""A mail server on loopback that tells what it got, parsed by Python's own email library.

Prints one JSON object a line: first {"port": ...}, then {"mail": ...} for each message taken over, before the sender
is told so, and {"mode": ...} for each order that came in on standard input. Orders are one word a line:

accept   take mail over
later    refuse every recipient with 451
never    refuse every recipient with 550
login    refuse every sender with 535
hang     take the message, tell it, and never answer
drop     close the connection in the middle of the message
"""

import asyncio
import email
import email.policy
import json
import sys

from aiosmtpd.smtp import SMTP


def tell(what):
    print(json.dumps(what), flush=True)


def parsed(content):
    message = email.message_from_bytes(content, policy=email.policy.default)
    parts = [message, *message.walk()]
    text = message.get_body(("plain",))
    html = message.get_body(("html",))
    return {
        "headers": [[name, str(value)] for name, value in message.items()],
        "text": text.get_content() if text else None,
        "html": html.get_content() if html else None,
        "kinds": [part.get_content_type() for part in message.walk()],
        "defects": [str(defect) for part in parts for defect in part.defects],
        "longest_line": max(len(line) for line in content.split(b"\r\n")),
    }


class Receiver:
    mode = "accept"

    async def handle_MAIL(self, server, session, envelope, address, options):
        if self.mode == "login":
            return "535 5.7.8 authentication credentials invalid"
        envelope.mail_from = address
        return "250 OK"

    async def handle_RCPT(self, server, session, envelope, address, options):
        if self.mode == "later":
            return "451 4.3.0 come back later"
        if self.mode == "never":
            return "550 5.1.1 no such mailbox here"
        envelope.rcpt_tos.append(address)
        return "250 OK"

    async def handle_DATA(self, server, session, envelope):
        if self.mode == "drop":
            server.transport.abort()
            return "421 gone"
        tell({"mail": {"from": envelope.mail_from, "to": envelope.rcpt_tos, **parsed(envelope.original_content)}})
        if self.mode == "hang":
            await asyncio.sleep(3600)
        return "250 OK"


async def main():
    receiver = Receiver()
    loop = asyncio.get_running_loop()
    server = await loop.create_server(lambda: SMTP(receiver, hostname="localhost", enable_SMTPUTF8=False), "127.0.0.1", 0)
    tell({"port": server.sockets[0].getsockname()[1]})
    orders = asyncio.StreamReader()
    await loop.connect_read_pipe(lambda: asyncio.StreamReaderProtocol(orders), sys.stdin)
    while order := (await orders.readline()).decode().strip():
        receiver.mode = order
        tell({"mode": order})


# The end of the orders ends the program, and so does the end of the test that gives them.
asyncio.run(main())
