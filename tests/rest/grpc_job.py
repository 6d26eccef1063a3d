"""The main job by Python's own gRPC: by reflection alone, or by stubs made from the protocol files.

The figures are those of job.py.
"""

import datetime
import json
import os
import sys
import uuid

import grpc

known = json.load(sys.stdin)
now = datetime.datetime.fromisoformat(known["now"].replace("Z", "+00:00"))
channel = grpc.insecure_channel(known["grpc"])
metadata = [("authorization", "Bearer " + known["token"])]


def by_reflection():
    """Gives a function that makes a call by its name, and one that makes a message."""
    from google.protobuf import message_factory
    from google.protobuf.descriptor_pool import DescriptorPool
    from grpc_reflection.v1alpha.proto_reflection_descriptor_database import (
        ProtoReflectionDescriptorDatabase,
    )

    database = ProtoReflectionDescriptorDatabase(channel)
    services = [name for name in database.get_services() if name.startswith("ringtrue.v1.")]
    assert len(services) >= 16, services
    pool = DescriptorPool(database)

    def call(service, method, **fields):
        found = pool.FindServiceByName("ringtrue.v1." + service).FindMethodByName(method)
        ask = message_factory.GetMessageClass(found.input_type)
        answer = message_factory.GetMessageClass(found.output_type)
        made = channel.unary_unary(
            f"/ringtrue.v1.{service}/{method}",
            request_serializer=ask.SerializeToString,
            response_deserializer=answer.FromString,
        )
        return made(filled(ask(), fields), metadata=metadata, timeout=30)

    return call


def by_stubs():
    """The same by generated modules."""
    from grpc_tools import protoc
    import grpc_tools

    own = os.path.join(os.path.dirname(grpc_tools.__file__), "_proto")
    files = []
    for folder, _, names in os.walk(known["proto"]):
        files += [
            os.path.relpath(os.path.join(folder, name), known["proto"])
            for name in names
            if name.endswith(".proto")
        ]
    out = known["out"]
    # Google's own files are with Python's protobuf libraries; only what those lack is made.
    made = [name for name in files if name.startswith("ringtrue") or name.startswith("google")]
    code = protoc.main(
        ["protoc", f"-I{known['proto']}", f"-I{own}", f"--python_out={out}", f"--grpc_python_out={out}"] + made
    )
    assert code == 0, code
    # `google` is a package that is already there: what was made for it is found beside it.
    import google

    google.__path__.append(os.path.join(out, "google"))
    sys.path.insert(0, out)
    import importlib

    modules = {}
    for name in sorted(os.listdir(os.path.join(out, "ringtrue", "v1"))):
        if name.endswith(".py"):
            modules[name[:-3]] = importlib.import_module("ringtrue.v1." + name[:-3])

    def call(service, method, **fields):
        for name, module in modules.items():
            stub = getattr(module, service + "Stub", None)
            if stub is None:
                continue
            messages = modules[name.replace("_grpc", "")]
            ask = getattr(messages, method + "Request")()
            return getattr(stub(channel), method)(filled(ask, fields), metadata=metadata, timeout=30)
        raise AssertionError(service)

    return call


def filled(message, fields):
    """Sets the fields of a message from plain values."""
    from google.protobuf import json_format

    return json_format.ParseDict(fields, message)


def moment(hours_ago):
    return (now - datetime.timedelta(hours=hours_ago)).isoformat().replace("+00:00", "Z")


call = by_reflection() if known["by"] == "reflection" else by_stubs()


def request_id():
    return str(uuid.uuid4())


call(
    "SiteService",
    "CreateSite",
    site={"display_name": "Porto", "time_zone": "Europe/Lisbon", "calibration_day": "DAY_OF_WEEK_FRIDAY"},
    site_id="porto",
    request_id=request_id(),
)
call(
    "FurnaceService",
    "CreateFurnace",
    parent="sites/porto",
    furnace={
        "display_name": "K2",
        "maximum_setpoint_c": 1650,
        "control_thermocouple": "THERMOCOUPLE_TYPE_B",
    },
    furnace_id="k2",
)
call(
    "ProgrammeService",
    "CreateProgramme",
    parent="sites/porto/furnaces/k2",
    programme={
        "display_name": "Standard",
        "kind": "PROGRAMME_KIND_STANDARD",
        "segments": [
            {"ramp_c_per_min": 10, "temperature_c": 900, "hold_min": 30},
            {"ramp_c_per_min": 10, "temperature_c": 1500, "hold_min": 120},
        ],
        "material_target_c": 1500,
        "setpoint_c": 1500,
        "minimum_setpoint_c": 1350,
        "maximum_setpoint_c": 1600,
    },
    programme_id="p1",
)
import base64

call(
    "RingBatchService",
    "CreateRingBatch",
    ring_batch={
        "code": "B1",
        "stated_expanded_uncertainty_c": 4,
        "expiry_date": {"year": 2029, "month": 12, "day": 31},
        "provenance": "Invented table for tests.",
        "state": "RING_BATCH_STATE_RELEASED",
    },
    table_files=[{"hold_min": 120, "content": base64.b64encode(known["table"].encode()).decode()}],
    ring_batch_id="b1",
)
call(
    "GaugeService",
    "CreateGauge",
    parent="sites/porto",
    gauge={
        "display_name": "Micrometer 1",
        "kind": "GAUGE_KIND_MICROMETER",
        "resolution_mm": 0.001,
        "maximum_permissible_error_mm": 0.004,
    },
    gauge_id="g1",
)
call(
    "GaugeService",
    "RecordGaugeCheck",
    parent="sites/porto/gauges/g1",
    check={
        "nominal_mm": 19.5,
        "measured_mm": [19.5, 19.5, 19.5],
        "check_time": moment(0),
        "performed_by": "t1",
    },
)
answer = call(
    "ReadingService",
    "RecordReading",
    parent="sites/porto/furnaces/k2",
    reading={
        "programme": "sites/porto/furnaces/k2/programmes/p1",
        "setpoint_c": 1500,
        "rings": {
            "ring_batch": "ringBatches/b1",
            "gauge": "sites/porto/gauges/g1",
            "rings": [{"position": "centre", "diameters_mm": [19.47, 19.47, 19.47]}],
            "zero_mm": 0,
            "ring_temperature_c": 22,
        },
        "fire_time": moment(14),
        "measure_time": moment(0),
        "purpose": "READING_PURPOSE_ROUTINE",
        "performed_by": "t1",
    },
    request_id=request_id(),
)
evaluation = answer.reading.evaluation
print(
    round(evaluation.ring_temperature_c, 6),
    round(evaluation.observed_offset_c, 6),
    round(evaluation.plain_setpoint_c, 6),
)
