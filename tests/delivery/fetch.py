"""Makes HTTP requests with Python's own client: reads one JSON object from standard input, {"method", "url", "headers"},
and prints {"status", "headers", "body"}."""

import json
import sys
import urllib.error
import urllib.request

asked = json.load(sys.stdin)
data = asked.get("body", "").encode() if asked["method"] == "POST" else None
request = urllib.request.Request(asked["url"], data=data, method=asked["method"], headers=asked.get("headers", {}))
try:
    answer = urllib.request.urlopen(request, timeout=20)
except urllib.error.HTTPError as refusal:
    answer = refusal
print(
    json.dumps(
        {
            "status": answer.status,
            "headers": {name.lower(): value for name, value in answer.headers.items()},
            "body": answer.read().decode(),
        }
    )
)
