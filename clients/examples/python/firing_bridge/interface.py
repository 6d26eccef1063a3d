"""Calls to Ringtrue's REST interface: time limits, repeats with growing pauses, and failures taken apart."""

from __future__ import annotations

import json
import logging
import random
import time
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import datetime, timezone
from email.utils import parsedate_to_datetime
from typing import Any
from urllib.parse import urlsplit

import requests

log = logging.getLogger("firing_bridge")

CONNECT_S = 5.0
"""Longest wait for a connection, s."""

LARGEST_ANSWER_BYTES = 64 * 1024 * 1024
"""A longer answer is none that was asked for."""

LONGEST_PAUSE_S = 600.0
"""Longest pause before a repeat, s, whatever the server asks for: a wrong clock must not stop the bridge for days."""

WORTH_REPEATING = frozenset({408, 429, 500, 502, 503, 504})
"""Answers after which the same request may succeed."""


class NoAnswer(Exception):
    """No server answered in time, after all repeats."""


@dataclass
class Problem(Exception):
    """A failure as the server tells it (RFC 9457)."""

    status: int
    reason: str
    detail: str
    violations: list[dict[str, str]] = field(default_factory=list)

    def __str__(self) -> str:
        told = [f"{self.status} {self.reason}: {self.detail}"]
        told += [f"{one.get('field', '')}: {one.get('description', '')}" for one in self.violations]
        return "; ".join(told)

    def has(self, reason: str) -> bool:
        """Whether this is the reason, of the whole or of one field."""
        return self.reason == reason or any(one.get("reason") == reason for one in self.violations)


class Bearer(requests.auth.AuthBase):
    """The token. As `auth` it goes before whatever a .netrc file says of the same host, and is in no `repr`."""

    def __init__(self, token: str) -> None:
        self._token = token

    def __call__(self, request: requests.PreparedRequest) -> requests.PreparedRequest:
        request.headers["Authorization"] = f"Bearer {self._token}"
        return request


def checked_base(text: str) -> str:
    """The address of the interface. A token is sent unencrypted to this computer alone.

    Raises:
        ValueError: it is no such address.
    """
    parts = urlsplit(text.strip())
    if parts.scheme not in ("http", "https") or not parts.hostname:
        raise ValueError(f"`{text}` is no address; write one like https://ringtrue.example.org")
    if parts.scheme == "http" and parts.hostname not in ("127.0.0.1", "::1", "localhost"):
        raise ValueError("beyond this computer the address must begin with https://, or the token could be read")
    if parts.username or parts.password or parts.query or parts.fragment:
        raise ValueError("an address holds no credential, query or fragment")
    return text.strip().rstrip("/")


class Interface:
    """One server's interface."""

    def __init__(
        self,
        base: str,
        token: str,
        *,
        authority: str | None = None,
        call_s: float = 30.0,
        tries: int = 6,
        first_pause_s: float = 0.5,
    ) -> None:
        """Prepares calls; nothing is sent yet.

        Args:
            base: Where it is.
            token: What proves who asks.
            authority: File with the authority that signed the server's certificate; the usual ones when none.
            call_s: Longest time for one try of a call, s.
            tries: Most tries of a call.
            first_pause_s: Pause before the second try, s; each later one is twice as long.
        """
        self._base = checked_base(base)
        self._session = requests.Session()
        self._session.auth = Bearer(token)
        if authority is not None:
            self._session.verify = authority
        self._call_s = call_s
        self._tries = tries
        self._first_pause_s = first_pause_s

    def get(self, path: str, **query: Any) -> dict[str, Any]:
        """Asks for something."""
        return self._called("GET", path, query, None, {})

    def post(self, path: str, body: str, key: str) -> dict[str, Any]:
        """Sends a change. Whatever is lost on the way, the same key and body are carried out once."""
        headers = {"Content-Type": "application/json", "Idempotency-Key": key}
        return self._called("POST", path, {}, body.encode(), headers)

    def pages(self, path: str, things: str, **query: Any) -> Iterator[dict[str, Any]]:
        """Gives everything of a list, page by page."""
        token = ""
        while True:
            page = self.get(path, **query, pageSize=500, **({"pageToken": token} if token else {}))
            yield from page.get(things, [])
            token = page.get("nextPageToken", "")
            if not token:
                return

    def _called(
        self, method: str, path: str, query: Mapping[str, Any], body: bytes | None, headers: dict[str, str]
    ) -> dict[str, Any]:
        told = "nothing"
        for attempt in range(self._tries):
            asked_s = 0.0
            try:
                status, head, content = self._tried(method, path, query, body, headers)
            except (requests.ConnectionError, requests.Timeout, requests.exceptions.ChunkedEncodingError) as fault:
                # The exception's own text may hold the whole address; its kind is enough.
                told = type(fault).__name__
            else:
                if status == 200:
                    return _object(content)
                problem = _problem(status, content)
                if status not in WORTH_REPEATING and not (status == 409 and problem.reason == "CONFLICT"):
                    raise problem
                told = f"{status} {problem.reason}"
                asked_s = retry_after_s(head.get("Retry-After", ""), datetime.now(timezone.utc))
            if attempt + 1 < self._tries:
                # A random part, so that several bridges do not all come back at the same moment.
                grown_s = self._first_pause_s * 2**attempt * random.uniform(0.75, 1.25)
                pause_s = min(max(grown_s, asked_s), LONGEST_PAUSE_S)
                log.warning("%s %s: %s; again in %.1f s", method, path, told, pause_s)
                time.sleep(pause_s)
        raise NoAnswer(f"{method} {path}: no answer after {self._tries} tries, at last {told}")

    def _tried(
        self, method: str, path: str, query: Mapping[str, Any], body: bytes | None, headers: dict[str, str]
    ) -> tuple[int, Mapping[str, str], bytes]:
        """One try. The library's own limit is for each piece that arrives; this one is for all of them."""
        end = time.monotonic() + self._call_s
        with self._session.request(
            method,
            self._base + path,
            params=query,
            data=body,
            headers=headers,
            timeout=(CONNECT_S, self._call_s),
            # A token goes to the server that was named, and nowhere that it points to.
            allow_redirects=False,
            stream=True,
        ) as answer:
            content = bytearray()
            for piece in answer.iter_content(65536):
                content += piece
                if time.monotonic() > end:
                    raise requests.Timeout("the answer did not end in time")
                if len(content) > LARGEST_ANSWER_BYTES:
                    raise Problem(answer.status_code, "TOO_LARGE", "The answer is longer than any that was asked for.")
            return answer.status_code, answer.headers, bytes(content)


def retry_after_s(text: str, now: datetime) -> float:
    """Seconds that a `Retry-After` asks for, as a number or as a date (RFC 9110, 10.2.3); 0 for none."""
    text = text.strip()
    if text.isdigit():
        return float(text)
    try:
        at = parsedate_to_datetime(text)
    except (TypeError, ValueError):
        return 0.0
    return max(0.0, (at.replace(tzinfo=at.tzinfo or timezone.utc) - now).total_seconds())


def _object(content: bytes) -> dict[str, Any]:
    try:
        value = json.loads(content)
    except ValueError:
        value = None
    if not isinstance(value, dict):
        raise Problem(200, "NOT_JSON", "The answer is no JSON object; is this the address of Ringtrue's REST?")
    return value


def _problem(status: int, content: bytes) -> Problem:
    try:
        told = json.loads(content)
    except ValueError:
        told = None
    if not isinstance(told, dict):
        return Problem(status, "NO_PROBLEM", "Something else than Ringtrue answered; a proxy, or another address?")
    return Problem(status, str(told.get("reason", "")), str(told.get("detail", "")), list(told.get("violations", [])))
