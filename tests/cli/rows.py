"""Reads CSV as Python's csv module understands it, and writes the same with every cell quoted; JSON on stdout."""

import csv
import io
import json
import sys

text = sys.stdin.buffer.read().decode("utf-8")
rows = list(csv.DictReader(io.StringIO(text, newline=""), strict=True))
quoted = io.StringIO(newline="")
writer = csv.DictWriter(quoted, fieldnames=list(rows[0]), quoting=csv.QUOTE_ALL)
writer.writeheader()
writer.writerows(rows)
json.dump({"rows": rows, "quoted": quoted.getvalue()}, sys.stdout)
