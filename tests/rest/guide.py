"""Runs the commands of a guide in one shell, in order, and compares what they print with what the guide shows.

A block of `sh` is run; the block of `json` or `text` behind it is what it prints. In both, `…` stands for any text; JSON
that is printed may hold more than is shown.
"""

import json
import os
import re
import subprocess
import sys

known = json.load(sys.stdin)
guide = open(known["guide"], encoding="utf-8").read()
blocks = re.findall(r"^```(sh|json|text)\n(.*?)^```$", guide, flags=re.M | re.S)
script = ["set -euo pipefail"]
wanted = []
for at, (kind, text) in enumerate(blocks):
    if kind == "sh":
        out = f"out{len(wanted)}"
        # Braces, not parentheses: what a block sets is there for the next one.
        script.append("{\n" + text + f"}} > {out}")
        wanted.append((text, out, blocks[at + 1] if at + 1 < len(blocks) else None))
environment = {
    "PATH": os.environ["PATH"],
    "RINGTRUE": known["base"],
    "ADMINISTRATOR": known["token"],
    "NO_PROXY": "*",
    "LC_ALL": "C.UTF-8",
}
run = subprocess.run(
    ["bash", "-c", "\n".join(script)],
    cwd=known["folder"],
    env=environment,
    capture_output=True,
    text=True,
    timeout=60,
)


def fits(shown, printed):
    """Whether what was printed is what is shown, and perhaps more."""
    if isinstance(shown, dict):
        return isinstance(printed, dict) and all(
            key in printed and fits(value, printed[key]) for key, value in shown.items()
        )
    if isinstance(shown, list):
        return (
            isinstance(printed, list)
            and len(shown) == len(printed)
            and all(fits(one, other) for one, other in zip(shown, printed))
        )
    if isinstance(shown, str):
        pattern = ".*".join(re.escape(part) for part in shown.split("…"))
        return isinstance(printed, str) and re.fullmatch(pattern, printed, re.S) is not None
    if isinstance(shown, float):
        return isinstance(printed, (int, float)) and abs(shown - printed) < 1e-6
    return shown == printed


compared = 0
for text, out, behind in wanted:
    path = os.path.join(known["folder"], out)
    printed = open(path, encoding="utf-8").read() if os.path.exists(path) else "(it did not run)"
    if behind is None or behind[0] == "sh":
        continue
    kind, shown = behind
    good = False
    if kind == "json":
        try:
            good = fits(json.loads(shown), json.loads(printed))
        except ValueError:
            good = False
    else:
        good = fits(shown.strip(), printed.strip())
    assert good, f"{text}\nprinted:\n{printed}\nand not:\n{shown}\n{run.stderr}"
    compared += 1
assert run.returncode == 0, run.stderr
print(compared)
