"""Reports finished jobs in parts, each under a key of its own, and keeps what became of each job."""

from __future__ import annotations

import logging
import re
import uuid
from pathlib import Path
from typing import Any

from interface import Interface, Problem
from jobs import Unfit, as_body, finished
from kept import Kept, Part, Settled

log = logging.getLogger("firing_bridge")

TOO_LARGE = 413


def report(interface: Interface, kept: Kept, jobs: Path, site: str, part_size: int) -> tuple[int, int]:
    """Reports everything that has no answer yet; gives how many jobs were confirmed and how many refused.

    A part is kept before it is sent and settled with its answer, so whoever is killed in between sends the same part
    under the same key the next time, and Ringtrue answers it as it did the first time.
    """
    confirmed = refused = 0
    while True:
        part = kept.part()
        if part is None:
            unfit = _begun(kept, jobs, site, part_size)
            refused += unfit
            part = kept.part()
            if part is None:
                return confirmed, refused
        try:
            answer = interface.post(f"/v1/sites/{site}/firings:report", part.body, part.key)
        except Problem as problem:
            if problem.status == TOO_LARGE and len(part.jobs) > 1:
                kept.settle(part.key, [])
                part_size = max(1, len(part.jobs) // 2)
                log.warning("a part of %d firings is too large; %d at a time from now on", len(part.jobs), part_size)
                continue
            settled = _refused_whole(part, problem)
            if not settled:
                raise
        else:
            settled = _answered(part, answer)
        kept.settle(part.key, settled)
        for one in settled:
            if one.state == "confirmed":
                confirmed += 1
            else:
                refused += 1
                log.warning("job %s is refused: %s", one.job_id, one.reasons)
        log.info("a part of %d firings is answered", len(part.jobs))


def _begun(kept: Kept, jobs: Path, site: str, part_size: int) -> int:
    """Keeps the next part, if anything is left to report; gives how many jobs cannot even be sent."""
    known = kept.settled()
    firings: list[dict[str, Any]] = []
    named: list[tuple[str, str]] = []
    unfit: list[Settled] = []
    for job in finished(jobs):
        digest = job.digest()
        if known.get(job.job_id, ("", ""))[0] == digest:
            continue
        try:
            firings.append(job.firing(site))
        except Unfit as fault:
            unfit.append(Settled(job.job_id, digest, "refused", reasons=str(fault)))
            continue
        named.append((job.job_id, digest))
        if len(firings) == part_size:
            break
    kept.settle("", unfit)
    for one in unfit:
        log.warning("job %s cannot be reported: %s", one.job_id, one.reasons)
    if firings:
        kept.begin_part(Part(str(uuid.uuid4()), as_body(firings), named))
    return len(unfit)


def _answered(part: Part, answer: dict[str, Any]) -> list[Settled]:
    results = answer.get("results", [])
    if len(results) != len(part.jobs):
        raise Problem(200, "NOT_ALL_ANSWERED", f"{len(part.jobs)} firings were sent and {len(results)} answered.")
    settled = []
    for (job_id, digest), result in zip(part.jobs, results, strict=True):
        if result.get("state") in ("FIRING_RESULT_STATE_RECORDED", "FIRING_RESULT_STATE_KNOWN"):
            settled.append(Settled(job_id, digest, "confirmed", name=result.get("name", "")))
        else:
            settled.append(Settled(job_id, digest, "refused", reasons=_reasons(result.get("faults", []))))
    return settled


def _refused_whole(part: Part, problem: Problem) -> list[Settled]:
    """What a refusal of the whole part says of single firings; the others go out again in a new part."""
    faults: dict[int, list[dict[str, str]]] = {}
    for violation in problem.violations:
        at = re.match(r"firings\[(\d+)\]", violation.get("field", ""))
        if at and int(at[1]) < len(part.jobs):
            faults.setdefault(int(at[1]), []).append(violation)
    return [Settled(*part.jobs[at], "refused", reasons=_reasons(told)) for at, told in sorted(faults.items())]


def _reasons(faults: list[dict[str, str]]) -> str:
    """Why, for people: the field without its place in the part, which says nothing to them."""
    told = []
    for fault in faults:
        name = re.sub(r"^firings\[\d+\]\.?", "", fault.get("field", ""))
        told.append(f"{name} {fault.get('description', '')} ({fault.get('reason', '')})".strip())
    return "; ".join(told) or "no reason was told"
