"""Carries a laboratory's firings to Ringtrue, and what Ringtrue learns of them back.

Runs beside the laboratory's own system. It reads finished jobs from that system's SQLite file, reports those that have
no answer yet, keeps the answers in a file of its own, follows the change feed, and writes a worklist (CSV) for the
quality lead when a furnace is found outside tolerance. It may be killed and started again at any moment: nothing is
doubled. An example to begin with: needs Python 3.11 and `requests`.

The token comes from RINGTRUE_TOKEN or from a file that nobody else can read; it is never shown.
"""

from __future__ import annotations

import argparse
import logging
import os
import re
import signal
import sqlite3
import stat
import sys
import time
from collections.abc import Callable
from pathlib import Path

from following import follow, write_worklists
from interface import Interface, NoAnswer, Problem, checked_base
from kept import Kept
from reporting import report

log = logging.getLogger("firing_bridge")

DONE, FAULT, USAGE, REFUSED, NOT_ALLOWED, NO_ANSWER = 0, 1, 2, 3, 7, 8
"""Exit codes; those above 2 as the command line `ringtrue` has them."""

EPILOG = """\
exit codes with --once:
  0  done
  1  something else went wrong
  2  the command line is not understood
  3  done; but jobs are refused and wait for somebody to mend them
  7  not allowed, or the token is not known
  8  no server answered; the next run goes on

`ringtrue firing amend` corrects a firing that was confirmed already."""


def arguments(given: list[str]) -> argparse.Namespace:
    """Reads the command line; ends the program where it is not understood."""
    parser = argparse.ArgumentParser(
        prog="firing_bridge",
        description=(__doc__ or "").split("\n\n")[1],
        epilog=EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    takes = parser.add_argument
    takes("--base", required=True, metavar="URL", help="where Ringtrue's REST interface is")
    takes("--site", required=True, metavar="SITE", help="site whose firings these are, such as porto")
    takes("--jobs", required=True, type=Path, metavar="FILE", help="the laboratory's SQLite file; only read")
    takes("--kept", required=True, type=Path, metavar="FILE", help="the bridge's own SQLite file")
    takes("--worklists", required=True, type=Path, metavar="FOLDER", help="folder that takes the worklists")
    takes("--token-file", type=Path, metavar="FILE", help="file with the token; else RINGTRUE_TOKEN")
    takes("--authority", metavar="FILE", help="authority of the server's certificate (PEM), if it is your own")
    when = parser.add_mutually_exclusive_group(required=True)
    when.add_argument("--once", action="store_true", help="do what is to be done and end")
    when.add_argument(
        "--every", type=_number(1, 86_400), metavar="SECONDS", help="do so again and again, until ended"
    )
    takes("--part", type=_whole(1, 1000), default=200, metavar="COUNT", help="firings in a part (200)")
    takes(
        "--outside-from",
        type=_number(0.05, 1),
        default=0.5,
        metavar="PROBABILITY",
        help="a reading gets a worklist when its furnace was outside tolerance with at least this probability (0.5)",
    )
    takes(
        "--again",
        action="store_true",
        help="report refused jobs once more, for example after a furnace was added",
    )
    takes(
        "--anew",
        action="store_true",
        help="compare everything with what is on record, for example after Ringtrue's database was set back",
    )
    takes("--call-s", type=_number(1, 600), default=30.0, metavar="SECONDS", help="longest time for one call (30)")
    takes("--tries", type=_whole(1, 50), default=6, metavar="COUNT", help="most tries of one call (6)")
    asked = parser.parse_args(given)
    if not re.fullmatch(r"[a-z0-9][a-z0-9-]{0,62}", asked.site):
        parser.error(f"--site: `{asked.site}` is no id of a site; write it as Ringtrue has it, such as porto")
    if not asked.jobs.is_file():
        parser.error(f"--jobs: there is no file {asked.jobs}")
    if asked.kept.resolve() == asked.jobs.resolve():
        parser.error("--kept: the bridge wants a file of its own; it never writes into the laboratory's")
    if not asked.worklists.is_dir():
        parser.error(f"--worklists: there is no folder {asked.worklists}")
    try:
        asked.base = checked_base(asked.base)
        asked.token = token(asked.token_file)
    except ValueError as fault:
        parser.error(str(fault))
    return asked


def _number(least: float, most: float) -> Callable[[str], float]:
    def read(text: str) -> float:
        value = float(text)
        if not least <= value <= most:
            raise argparse.ArgumentTypeError(f"{text} is outside {least:g} to {most:g}")
        return value

    return read


def _whole(least: int, most: int) -> Callable[[str], int]:
    def read(text: str) -> int:
        value = int(text)
        if not least <= value <= most:
            raise argparse.ArgumentTypeError(f"{text} is outside {least} to {most}")
        return value

    return read


def token(file: Path | None) -> str:
    """The token from its file or the environment.

    Raises:
        ValueError: there is none, others could read it, or it cannot be one. The message never holds it.
    """
    if file is None:
        text = os.environ.get("RINGTRUE_TOKEN", "")
        where = "RINGTRUE_TOKEN"
    else:
        try:
            mode = file.stat().st_mode
            text = file.read_text(encoding="ascii")
        except (OSError, UnicodeDecodeError) as fault:
            raise ValueError(f"the token in {file} cannot be read: {type(fault).__name__}") from None
        if os.name == "posix" and mode & (stat.S_IRWXG | stat.S_IRWXO):
            raise ValueError(f"others can read {file}; `chmod 600 {file}`, and have the credential rotated")
        where = str(file)
    text = text.strip()
    if not text:
        raise ValueError(f"there is no token in {where}; set RINGTRUE_TOKEN or give --token-file")
    if not text.startswith("rt1.") or any(not 33 <= ord(letter) <= 126 for letter in text):
        raise ValueError(f"what is in {where} is no token of Ringtrue")
    return text


def round_of(asked: argparse.Namespace, kept: Kept) -> int:
    """Reports, follows and writes once; gives the exit code that tells how it went."""
    interface = Interface(
        asked.base, asked.token, authority=asked.authority, call_s=asked.call_s, tries=asked.tries
    )
    try:
        # First what changed: where Ringtrue lost what was confirmed, it is reported again in the same round.
        follow(interface, kept, asked.site, asked.outside_from)
        confirmed, refused = report(interface, kept, asked.jobs, asked.site, asked.part)
        if confirmed or refused:
            log.info("%d firings confirmed, %d refused", confirmed, refused)
            # One's own firings are in the worklists at once; the feed tells of them a moment later.
            kept.all_stale()
        write_worklists(interface, kept, asked.worklists)
    except NoAnswer as fault:
        log.error("%s", fault)
        return NO_ANSWER
    except Problem as problem:
        log.error("%s", problem)
        return NOT_ALLOWED if problem.status in (401, 403) else FAULT
    except (sqlite3.Error, OSError) as fault:
        log.error("%s: %s", type(fault).__name__, fault)
        return FAULT
    waiting = kept.refused()
    if waiting:
        log.warning("%d jobs are refused until they are mended in the laboratory's system", len(waiting))
        return REFUSED
    return DONE


def main(given: list[str]) -> int:
    """Runs the bridge and gives its exit code."""
    asked = arguments(given)
    logging.basicConfig(level=logging.INFO, format="%(asctime)s %(levelname)s %(message)s")
    # What the library logs of a connection is nobody's here.
    logging.getLogger("urllib3").setLevel(logging.ERROR)
    try:
        kept = Kept(asked.kept)
    except (sqlite3.Error, OSError) as fault:
        log.error("%s cannot be used as the bridge's own file: %s", asked.kept, fault)
        return FAULT
    # Said outright, since whatever starts a program in the background may have it ignore them.
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, signal.default_int_handler)
    try:
        if asked.again:
            kept.forget_refused()
        if asked.anew:
            kept.forget_place()
        if asked.once:
            return round_of(asked, kept)
        while True:
            round_of(asked, kept)
            time.sleep(asked.every)
    except KeyboardInterrupt:
        return DONE
    finally:
        kept.close()


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
