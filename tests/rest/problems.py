"""Each kind of failure over REST, with an ordinary HTTP client."""

import json
import sys

import requests

known = json.load(sys.stdin)
base = known["base"]
session = requests.Session()
session.headers["Authorization"] = "Bearer " + known["token"]
FURNACE = "/v1/sites/north/furnaces/k2"


def refused(status, reason, method, path, **how):
    """Makes a request that has to fail, and gives the problem."""
    answer = session.request(method, base + path, timeout=30, **how)
    assert answer.status_code == status, (method, path, answer.status_code, answer.text)
    assert answer.headers["Content-Type"] == "application/problem+json", answer.headers
    problem = answer.json()
    assert problem["type"] == "urn:ringtrue:problem:" + reason, problem
    assert problem["reason"] == reason and problem["status"] == status, problem
    assert problem["instance"].startswith("urn:uuid:"), problem
    assert problem["title"] and problem["detail"] and problem["code"], problem
    problem["headers"] = answer.headers
    return problem


def fields(problem):
    return [(violation["field"], violation["reason"]) for violation in problem["violations"]]


def as_json(text):
    return {"data": text, "headers": {"Content-Type": "application/json"}}


# What is not there, or not in this way.
refused(404, "NO_SUCH_PATH", "GET", "/v1/nothing")
refused(404, "NO_SUCH_PATH", "GET", "/v1")
refused(404, "NO_SUCH_PATH", "POST", FURNACE + ":melt", json={})
missing = refused(404, "NOT_FOUND", "GET", "/v1/sites/north/furnaces/k9")
assert missing["metadata"]["name"] == "sites/north/furnaces/k9", missing
allowed = refused(405, "METHOD_NOT_ALLOWED", "DELETE", FURNACE)
assert allowed["headers"]["Allow"] == "GET, PATCH, HEAD", allowed["headers"]
refused(406, "NOT_ACCEPTABLE", "GET", FURNACE, headers={"Accept": "text/html"})
refused(406, "NOT_ACCEPTABLE", "GET", FURNACE, headers={"Accept": "application/json;q=0, */*"})
refused(406, "NOT_ACCEPTABLE", "GET", "/v1/sites/-/alerts:watch", headers={"Accept": "application/json"})
form = refused(415, "UNSUPPORTED_MEDIA_TYPE", "PATCH", FURNACE, data={"displayName": "K3"})
assert "application/json" in form["detail"], form
refused(415, "UNSUPPORTED_MEDIA_TYPE", "PATCH", FURNACE, data="{}")
packed = refused(
    415,
    "UNSUPPORTED_MEDIA_TYPE",
    "PATCH",
    FURNACE,
    data=b"\x1f\x8b",
    headers={"Content-Type": "application/json", "Content-Encoding": "gzip"},
)
assert packed["headers"]["Accept-Encoding"] == "identity", packed["headers"]
refused(414, "ADDRESS_TOO_LONG", "GET", "/v1/sites?pageToken=" + "x" * 9000)
refused(431, "HEADERS_TOO_LARGE", "GET", FURNACE, headers={"X-Long": "x" * 20000})

# Bodies that are not what they should be.
for text in ["", "{", "[]", "null", "7", '"x"', "{} {}", '{"displayName":}', "{'a':1}", "\ufeff{}"]:
    refused(400, "MALFORMED_REQUEST", "PATCH", FURNACE, **as_json(text.encode()))
unknown = refused(
    400, "BAD_VALUES", "PATCH", FURNACE, json={"displayName": "K3", "colour": "red"}
)
assert fields(unknown) == [("furnace.colour", "UNKNOWN_FIELD")], unknown
nested = refused(
    400,
    "BAD_VALUES",
    "POST",
    FURNACE + "/readings",
    json={"rings": {"rings": [{"position": "centre"}, {"positions": "left"}]}},
)
assert fields(nested) == [("reading.rings.rings[1].positions", "UNKNOWN_FIELD")], nested
wrong = refused(400, "BAD_VALUES", "PATCH", FURNACE, json={"maximumSetpointC": "hot"})
assert fields(wrong) == [("furnace.maximum_setpoint_c", "MALFORMED_VALUE")], wrong
kind = refused(400, "BAD_VALUES", "PATCH", FURNACE, json={"state": "FURNACE_STATE_MELTED"})
assert fields(kind) == [("furnace.state", "MALFORMED_VALUE")], kind
both = refused(
    400,
    "MALFORMED_REQUEST",
    "POST",
    FURNACE + "/readings",
    json={"rings": {}, "thermocouple": {}},
)
assert "oneof" in both["detail"], both

# What the call itself refuses: every bad value at once.
values = refused(
    400, "BAD_VALUES", "POST", "/v1/sites?siteId=Bad+Id", json={"timeZone": "Mars/Olympus"}
)
told = dict(fields(values))
assert {"site_id", "site.time_zone", "site.display_name"} <= set(told), values
query = refused(400, "BAD_VALUES", "GET", "/v1/sites?page_size=many&colour=red")
assert fields(query) == [("page_size", "MALFORMED_VALUE"), ("colour", "UNKNOWN_PARAMETER")], query
body = refused(400, "BAD_VALUES", "POST", "/v1/sites/north/furnaces?furnace.state=x", json={})
assert fields(body) == [("furnace.state", "UNKNOWN_PARAMETER")], body
path = refused(400, "BAD_VALUES", "PATCH", FURNACE, json={"name": "sites/north/furnaces/k1"})
assert fields(path) == [("furnace.name", "CONTRADICTION")], path
exists = refused(409, "EXISTS_ALREADY", "POST", "/v1/sites?siteId=north",
                 json={"displayName": "North", "timeZone": "Europe/Lisbon", "calibrationDay": "DAY_OF_WEEK_FRIDAY"})
assert exists["code"] == "ALREADY_EXISTS", exists

# Open questions are told one by one, with the value that was probably meant.
asked = refused(
    400,
    "OPEN_QUESTIONS",
    "POST",
    FURNACE + "/readings",
    json={
        "programme": "sites/north/furnaces/k2/programmes/p1",
        "rings": {
            "ringBatch": "ringBatches/b1",
            "gauge": "sites/north/gauges/g1",
            "rings": [{"position": "centre", "diametersMm": [19.47, 19.47, 19.74]}],
        },
        "fireTime": "2026-03-05T22:00:00Z",
        "measureTime": "2026-03-06T12:00:00Z",
        "purpose": "READING_PURPOSE_ROUTINE",
        "performedBy": "t1",
    },
)
assert asked["code"] == "FAILED_PRECONDITION", asked
assert asked["violations"] and all(one["reason"] and one["field"] for one in asked["violations"]), asked

# Whoever asks how to reach something gets the words of a problem even without a body.
head = session.head(base + "/v1/nothing", timeout=30)
assert head.status_code == 404 and head.text == "", head
print("done")
