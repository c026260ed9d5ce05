"""Answers, in JSON, what the test in Go compares with the Go SDK: reads its questions from stdin."""

import base64
import inspect
import json
import sys

from perch_adapter import Adapter, Setting, adapter_pb2, units

questions = json.load(sys.stdin)
faults = []
for case in questions["settings"]:
    declared = [Setting(**s) for s in case["declared"]]
    settings, wrong = Adapter("box", "0.1.0", "", [], None, settings=declared).check(case["raw"])
    faults.append({
        "faults": [list(f) for f in wrong],
        "values": {} if wrong else {s.key: settings[s.key] for s in declared if settings[s.key] is not None},
    })
json.dump({
    "descriptor": base64.b64encode(adapter_pb2.DESCRIPTOR.serialized_pb).decode(),
    "units": {name: f(questions["x"]) for name, f in inspect.getmembers(units, inspect.isfunction)},
    "settings": faults,
}, sys.stdout)
