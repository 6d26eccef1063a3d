"""Repeats, versions, pages and compression, with an ordinary HTTP client."""

import json
import sys
import uuid
from urllib.parse import urljoin

import requests

known = json.load(sys.stdin)
base = known["base"]
session = requests.Session()
session.headers["Authorization"] = "Bearer " + known["token"]
FURNACE = base + "/v1/sites/north/furnaces/k2"


def event(note, key=None, **query):
    headers = {"Idempotency-Key": key} if key else {}
    return session.post(
        FURNACE + "/events",
        json={
            "kind": "FURNACE_EVENT_KIND_MOVED",
            "eventTime": "2026-03-06T10:00:00Z",
            "note": note,
        },
        params=query,
        headers=headers,
        timeout=30,
    )


def count():
    return len(session.get(FURNACE + "/events", timeout=30).json().get("events", []))


# A repeat gets the first answer; the same key for something else is refused.
for key in [str(uuid.uuid4()), "order-1", '"quoted-1"']:
    before = count()
    first = event("one", key)
    again = event("one", key)
    assert first.status_code == again.status_code == 200, (first.text, again.text)
    assert first.json() == again.json(), (first.text, again.text)
    other = event("other", key)
    assert other.status_code == 409 and other.json()["reason"] == "REQUEST_ID_REUSED", other.text
    assert count() == before + 1
# A key of one's own is no other client's.
stranger = session.post(
    FURNACE + "/events",
    json={"kind": "FURNACE_EVENT_KIND_REPAIR", "eventTime": "2026-03-06T10:00:00Z"},
    headers={"Idempotency-Key": "order-1", "Authorization": "Bearer " + known["other_token"]},
    timeout=30,
)
assert stranger.status_code == 200, stranger.text
# A request id in the query is the same thing; two that differ are a mistake.
one, two = str(uuid.uuid4()), str(uuid.uuid4())
assert event("with id", one, requestId=one).status_code == 200
differ = event("with id", one, requestId=two)
assert differ.status_code == 400, differ.text
assert differ.json()["violations"][0]["field"] == "request_id", differ.text
assert differ.json()["violations"][0]["reason"] == "CONTRADICTION", differ.text
long = event("long", "k" * 256)
assert long.status_code == 400 and long.json()["violations"][0]["reason"] == "NOT_A_KEY", long.text
phrase = session.post(
    base + "/v1:setSigningPhrase", json={}, headers={"Idempotency-Key": "x"}, timeout=30
)
assert phrase.json()["violations"][0]["field"] == "Idempotency-Key", phrase.text

# A version is sent back with a change; a change in between is noticed.
seen = session.get(FURNACE, timeout=30)
tag = seen.headers["ETag"]
assert seen.json()["etag"] == '"1"' and tag.startswith('"1.'), (tag, seen.text)
changed = session.patch(
    FURNACE, json={"displayName": "K2 by the window"}, headers={"If-Match": tag}, timeout=30
)
assert changed.status_code == 200, changed.text
assert changed.headers["ETag"].startswith('"2.'), changed.headers
stale = session.patch(FURNACE, json={"displayName": "K2"}, headers={"If-Match": tag}, timeout=30)
assert stale.status_code == 412 and stale.json()["reason"] == "STALE_ETAG", stale.text
weak = session.patch(FURNACE, json={"displayName": "K2"}, headers={"If-Match": 'W/"2"'}, timeout=30)
assert weak.status_code == 412, weak.text
bare = session.patch(
    FURNACE,
    json={"toleranceC": 7},
    params={"updateMask": "toleranceC"},
    headers={"If-Match": '"2"'},
    timeout=30,
)
assert bare.status_code == 200 and bare.json()["toleranceC"] == 7, bare.text
cleared = session.patch(FURNACE, json={}, params={"update_mask": "tolerance_c"}, timeout=30)
assert cleared.status_code == 200 and "toleranceC" not in cleared.json(), cleared.text
not_one = session.patch(FURNACE, json={"displayName": "K2"}, headers={"If-Match": "2"}, timeout=30)
assert not_one.json()["violations"][0]["reason"] == "NOT_AN_ETAG", not_one.text
not_here = session.post(
    FURNACE + "/events", json={}, headers={"If-Match": '"1"'}, timeout=30
)
assert not_here.json()["violations"][0]["reason"] == "NOT_TAKEN_HERE", not_here.text

# What is known already is not sent again; what changed is.
seen = session.get(FURNACE, timeout=30)
known_already = session.get(FURNACE, headers={"If-None-Match": seen.headers["ETag"]}, timeout=30)
assert known_already.status_code == 304 and known_already.content == b"", known_already
assert known_already.headers["ETag"] == seen.headers["ETag"]
listed = session.get(base + "/v1/sites", timeout=30)
same = session.get(base + "/v1/sites", headers={"If-None-Match": listed.headers["ETag"]}, timeout=30)
assert same.status_code == 304, same
event("something new")
older = session.get(FURNACE + "/events", timeout=30).headers["ETag"]
event("something newer")
newer = session.get(FURNACE + "/events", headers={"If-None-Match": older}, timeout=30)
assert newer.status_code == 200, newer

# Pages: by token, and by the link to the next one.
expected = [one["name"] for one in session.get(FURNACE + "/events", timeout=30).json()["events"]]
assert len(expected) > 5, expected
found, url, pages = [], FURNACE + "/events?pageSize=2", 0
while url:
    page = session.get(url, timeout=30)
    found += [one["name"] for one in page.json()["events"]]
    url = urljoin(page.url, page.links["next"]["url"]) if "next" in page.links else None
    pages += 1
assert found == expected and pages == (len(expected) + 1) // 2, (found, expected)
token = session.get(FURNACE + "/events?pageSize=1", timeout=30).json()["nextPageToken"]
second = session.get(FURNACE + "/events", params={"pageSize": 1, "pageToken": token}, timeout=30)
assert second.json()["events"][0]["name"] == expected[1], second.text
foreign = session.get(FURNACE + "/readings", params={"pageToken": token}, timeout=30)
assert foreign.json()["violations"][0]["reason"] == "NOT_OF_THIS_LIST", foreign.text

# Compression where it is asked for; the same content in either form.
plain = session.get(FURNACE + "/events", headers={"Accept-Encoding": "identity"}, timeout=30)
packed = session.get(FURNACE + "/events", headers={"Accept-Encoding": "gzip"}, timeout=30)
assert "Content-Encoding" not in plain.headers, plain.headers
assert packed.headers["Content-Encoding"] == "gzip", packed.headers
assert packed.json() == plain.json()
assert int(packed.headers["Content-Length"]) < len(plain.content) / 2
assert packed.headers["ETag"] != plain.headers["ETag"]
assert "accept-encoding" in packed.headers["Vary"]
for tag in [packed.headers["ETag"], plain.headers["ETag"]]:
    again = session.get(FURNACE + "/events", headers={"If-None-Match": tag}, timeout=30)
    assert again.status_code == 304, tag
print("done")
