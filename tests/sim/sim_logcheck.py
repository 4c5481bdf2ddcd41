"""Whether the event log that a day has left is whole: read with a reader of its own, not with the daemon's."""

import json
from collections import defaultdict

from sim_disk import MemoryDisk
from support.monitor_notes import Breach


def check(disk: MemoryDisk) -> list[Breach]:
    """Each run's numbers are all there, but for gaps that a line tells of; a torn line is told of too.

    By number, not by file: a wall clock that jumps over midnight and back leaves a run's lines in two files.
    """
    there: dict[str, set[int]] = defaultdict(set)
    torn = told = 0
    for path in sorted(path for path in disk.files if path.name.startswith("events-")):
        for raw in bytes(disk.files[path]).splitlines(keepends=True):
            try:
                line = json.loads(raw)
            except ValueError:
                # The end of a file that was never opened again is for its readers to tell of.
                torn += len(raw) - 1 if raw.endswith(b"\n") else 0
                continue
            there[line["run"]].add(int(line["seq"]))
            if line["event"] == "log_gap":
                told += int(line.get("torn_bytes", 0))
                if line.get("lost"):
                    there[line["run"]].update(range(int(line["first_lost"]), int(line["last_lost"]) + 1))
    found = [
        Breach(0.0, "log", f"{run}: lines {sorted(missing)} are missing and nothing tells of it")
        for run, numbers in there.items()
        if (missing := set(range(1, max(numbers) + 1)) - numbers)
    ]
    if torn > told:
        found.append(Breach(0.0, "log", f"{torn} bytes of torn lines, {told} of them told of"))
    return found
