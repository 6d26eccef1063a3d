"""Receivers of webhooks on loopback that tell what they got, parsed by the cloudevents package, signatures checked by hmac.

Takes a port, 0 for any. Each path is a receiver of its own. Prints one JSON object a line: first {"port": ...}, then
{"got": ...} for each event, before the sender is told so, and {"done": ...} for each order that came in on standard
input. Orders are JSON, one a line: {"path": ..., "mode": ..., "secrets": [...]}. Modes:

accept    answer 204
500       answer 500, and so for every other number
redirect  answer 307 to the path /elsewhere
hang      tell what was got and never answer
wait      tell what was got, and answer 204 once the path has another mode
"""

import base64
import hashlib
import hmac
import json
import sys
import threading
import time
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

from cloudevents.core.bindings.http import HTTPMessage, from_http_event

lock = threading.Lock()
modes = {}
secrets = {}


def tell(what):
    with lock:
        print(json.dumps(what), flush=True)


def signed_by(path, headers, body):
    """Places of the secrets of a path that made one of the signatures."""
    signed = f"{headers['webhook-id']}.{headers['webhook-timestamp']}.".encode() + body
    given = headers["webhook-signature"].split(" ")
    found = []
    for place, secret in enumerate(secrets.get(path, [])):
        key = base64.b64decode(secret.removeprefix("whsec_"))
        mac = "v1," + base64.b64encode(hmac.new(key, signed, hashlib.sha256).digest()).decode()
        if any(hmac.compare_digest(mac, one) for one in given):
            found.append(place)
    return found, len(given)


class Receiver(BaseHTTPRequestHandler):
    protocol_version = "HTTP/1.1"

    def do_POST(self):
        body = self.rfile.read(int(self.headers["content-length"]))
        headers = {name.lower(): value for name, value in self.headers.items()}
        event = from_http_event(HTTPMessage(headers=headers, body=body))
        found, given = signed_by(self.path, headers, body)
        attributes = {name: str(value) for name, value in event.get_attributes().items()}
        mode = modes.get(self.path, "accept")
        tell(
            {
                "got": {
                    "path": self.path,
                    "attributes": attributes,
                    "data": event.get_data(),
                    "id": headers["webhook-id"],
                    "timestamp_s": int(headers["webhook-timestamp"]),
                    "signed_by": found,
                    "signatures": given,
                    "mode": mode,
                }
            }
        )
        if mode == "hang":
            time.sleep(3600)
        while mode == "wait" and modes.get(self.path) == "wait":
            time.sleep(0.01)
        status = {"accept": 204, "wait": 204, "redirect": 307}.get(mode) or int(mode)
        self.send_response(status)
        if mode == "redirect":
            self.send_header("location", "/elsewhere")
        self.send_header("content-length", "0")
        self.end_headers()

    def log_message(self, *_):
        pass


class Server(ThreadingHTTPServer):
    daemon_threads = True
    request_queue_size = 128


server = Server(("127.0.0.1", int(sys.argv[1])), Receiver)
threading.Thread(target=server.serve_forever, daemon=True).start()
tell({"port": server.server_address[1]})
# The end of the orders ends the program, and so does the end of the test that gives them.
for line in sys.stdin:
    order = json.loads(line)
    modes[order["path"]] = order["mode"]
    secrets[order["path"]] = order["secrets"]
    tell({"done": order["path"]})
