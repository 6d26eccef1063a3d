"""Validates the served description and prints how many operations it has."""

import json
import sys

import requests
from openapi_spec_validator import OpenAPIV31SpecValidator

known = json.load(sys.stdin)
answer = requests.get(known["base"] + "/openapi.json", timeout=30)
assert answer.headers["Content-Type"] == "application/json", answer.headers
document = answer.json()
faults = [str(fault) for fault in OpenAPIV31SpecValidator(document).iter_errors()]
assert not faults, faults[:5]
operations = [operation for path in document["paths"].values() for operation in path.values()]
ids = [operation["operationId"] for operation in operations]
assert len(ids) == len(set(ids)), "operations have names of their own"
for operation in operations:
    assert operation["summary"] and operation["description"], operation["operationId"]
    problem = operation["responses"]["default"]["$ref"]
    assert problem == "#/components/responses/Problem", operation["operationId"]
print(len(operations))
