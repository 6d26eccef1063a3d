"""The main job over REST: a laboratory is set up, a ring is read, and the advice is what a person works out by hand.

A setpoint of 1500 °C, a ring of 19.47 mm that the table reads as 1519 °C: the plain setpoint is 1481 °C (the trade's
own worked figure; common practice, no source).
"""

import base64
import datetime
import json
import sys
import uuid

import requests

known = json.load(sys.stdin)
session = requests.Session()
session.headers["Authorization"] = "Bearer " + known["token"]
now = datetime.datetime.fromisoformat(known["now"].replace("Z", "+00:00"))


def moment(hours_ago):
    return (now - datetime.timedelta(hours=hours_ago)).isoformat().replace("+00:00", "Z")


def post(path, body, **query):
    answer = session.post(
        known["base"] + path,
        json=body,
        params=query,
        headers={"Idempotency-Key": str(uuid.uuid4())},
        timeout=30,
    )
    assert answer.status_code == 200, (path, answer.status_code, answer.text)
    return answer.json()


site = post(
    "/v1/sites",
    {"displayName": "Porto", "timeZone": "Europe/Lisbon", "calibrationDay": "DAY_OF_WEEK_FRIDAY"},
    siteId="porto",
)
assert site["name"] == "sites/porto", site
furnace = post(
    "/v1/sites/porto/furnaces",
    {"displayName": "K2", "maximumSetpointC": 1650, "controlThermocouple": "THERMOCOUPLE_TYPE_B"},
    furnaceId="k2",
)
assert furnace["name"] == "sites/porto/furnaces/k2", furnace
programme = post(
    "/v1/sites/porto/furnaces/k2/programmes",
    {
        "displayName": "Standard",
        "kind": "PROGRAMME_KIND_STANDARD",
        "segments": [
            {"rampCPerMin": 10, "temperatureC": 900, "holdMin": 30},
            {"rampCPerMin": 10, "temperatureC": 1500, "holdMin": 120},
        ],
        "materialTargetC": 1500,
        "setpointC": 1500,
        "minimumSetpointC": 1350,
        "maximumSetpointC": 1600,
    },
    programmeId="p1",
)
batch = post(
    "/v1/ringBatches",
    {
        "ringBatchId": "b1",
        "ringBatch": {
            "code": "B1",
            "statedExpandedUncertaintyC": 4,
            "expiryDate": {"year": 2029, "month": 12, "day": 31},
            "provenance": "Invented table for tests.",
            "state": "RING_BATCH_STATE_RELEASED",
        },
        "tableFiles": [
            {"holdMin": 120, "content": base64.b64encode(known["table"].encode()).decode()}
        ],
    },
)
gauge = post(
    "/v1/sites/porto/gauges",
    {
        "displayName": "Micrometer 1",
        "kind": "GAUGE_KIND_MICROMETER",
        "resolutionMm": 0.001,
        "maximumPermissibleErrorMm": 0.004,
    },
    gaugeId="g1",
)
check = post(
    "/v1/sites/porto/gauges/g1/checks",
    {
        "nominalMm": 19.5,
        "measuredMm": [19.5, 19.5, 19.5],
        "checkTime": moment(0),
        "performedBy": "t1",
    },
)
assert check["check"]["name"].startswith("sites/porto/gauges/g1/checks/"), check
reading = {
    "programme": programme["name"],
    "setpointC": 1500,
    "rings": {
        "ringBatch": batch["name"],
        "gauge": gauge["name"],
        "rings": [{"position": "centre", "diametersMm": [19.47, 19.47, 19.47]}],
        "zeroMm": 0,
        "ringTemperatureC": 22,
    },
    "fireTime": moment(14),
    "measureTime": moment(0),
    "purpose": "READING_PURPOSE_ROUTINE",
    "performedBy": "t1",
}
path = "/v1/sites/porto/furnaces/k2/readings"

# First only tried out: nothing is stored.
tried = post(path, reading, validateOnly="true")
assert "name" not in tried and tried["evaluation"]["evaluable"] is True, tried
assert session.get(known["base"] + path, timeout=30).json() == {}, "nothing was stored"

recorded = post(path, reading)
evaluation = recorded["evaluation"]
again = session.get(known["base"] + "/v1/" + recorded["name"], timeout=30).json()
assert again["evaluation"]["ringTemperatureC"] == evaluation["ringTemperatureC"], again
print(
    round(evaluation["ringTemperatureC"], 6),
    round(evaluation["observedOffsetC"], 6),
    round(evaluation["plainSetpointC"], 6),
)
