"""Alarms as a daemon would publish them, and programs that an owner might run."""

import json
import sys
from pathlib import Path
from typing import Any

from gatehand.notify.entry import Entry, title

GATE, FAN, SAW = "gate.band_saw.fault", "collector.main.held", "tool.band_saw.silent"


def entry(id_: str = GATE, since: str = "1", *, count: int = 1, seen: bool = False) -> Entry:
    kind, name, what = id_.split(".")
    return Entry(
        id=id_,
        kind=kind,
        name=name,
        what=what,
        title=title(id_),
        since=since,
        because="so",
        next="do",
        count=count,
        seen=seen,
    )


def payload(id_: str = GATE, since: str = "2026-03-02T08:00:00.000Z", **more: Any) -> bytes:  # noqa: ANN401 - what JSON can hold
    """As `shell/alarms.py` writes it."""
    kind, name, what = id_.split(".")
    facts = {"kind": kind, "name": name, "what": what, "since": since, "because": "It is jammed.", "next": "Free it."}
    return json.dumps({**facts, "count": 1, "acked_by": None, "acked": None, **more}).encode()


def program(folder: Path, *lines: str, name: str = "program") -> Path:
    """A Python program in a folder; `sys`, `json`, `os`, `time` and `given` (its standard input) are there."""
    path = folder / name
    body = "\n".join(lines)
    path.write_text(f"#!{sys.executable}\nimport json, os, sys, time\ngiven = sys.stdin.read()\n{body}\n")
    path.chmod(0o755)
    return path


def writer(folder: Path, name: str = "told") -> Path:
    """A program that adds a line to the file `told`: its arguments and its input."""
    line = f"open({str(folder / name)!r}, 'a').write(json.dumps([sys.argv[1:], json.loads(given)]) + '\\n')"
    return program(folder, line)


def told(folder: Path, name: str = "told") -> list[tuple[list[str], list[dict[str, object]]]]:
    """What such a program has written: arguments and input of each run."""
    path = folder / name
    lines = path.read_text().splitlines() if path.exists() else []
    return [(each[0], each[1]) for each in map(json.loads, lines)]


def ids(folder: Path) -> list[list[tuple[object, object]]]:
    """Of each run, which alarms in which state."""
    return [[(each["id"], each["state"]) for each in given] for _, given in told(folder)]
