"""Log lines made to order, and the folder that holds them."""

import json
from collections.abc import Iterable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from gatehand.times import stamp

NOON = datetime(2026, 3, 5, 12, tzinfo=UTC).timestamp()
CONFIG = """
[log]
folder = "log"
[collector.main]
command = { topic = "shop/fan/set", on = "1", off = "0" }
current = { topic = "shop/fan/amps" }
[gate.band_saw]
command = { topic = "shop/gate/band_saw/set", open = "open", shut = "shut" }
[tool.band_saw]
gates = ["band_saw"]
current = { topic = "shop/band_saw/amps" }
start_amps = 2.5
[upkeep.filter]
every_hours = 4
[circuit.wall]
amps = 20
members = ["band_saw"]
voltage = 230
"""


class Log:
    """Lines of one run after another; time by hand."""

    def __init__(self) -> None:
        self.lines: list[dict[str, Any]] = []
        self.wall = NOON
        self.mono = 100.0
        self.run = 1

    def pass_time(self, seconds: float) -> "Log":
        self.wall += seconds
        self.mono += seconds
        return self

    def say(self, event: str, **facts: object) -> "Log":
        self.lines.append(
            {
                "ts": stamp(self.wall),
                "mono": round(self.mono, 3),
                "run": f"run{self.run}",
                "seq": len(self.lines) + 1,
                "synced": True,
                "event": event,
                **facts,
            }
        )
        return self

    def begin(self) -> "Log":
        """The daemon starts, anew if it ran."""
        self.run += 1
        self.mono = 100.0
        return self.say("daemon_started", version="0")

    def cut(self, seconds: float, run_on: float = 10.0) -> "Log":
        """The band saw cuts, the collector follows."""
        self.say("tool_started", tool="band_saw", collector="main", rule="start_threshold", amps=5.0)
        self.say("gate_commanded", gate="band_saw", collector="main", rule="demand", to="open")
        self.say("collector_on", collector="main", rule="demand")
        self.pass_time(seconds)
        self.say("tool_stopped", tool="band_saw", collector="main", rule="stop_threshold", amps=0.1)
        self.pass_time(run_on)
        self.say("collector_off", collector="main", rule="no_demand", coast_down=8.0)
        return self

    def write(self, folder: Path) -> Path:
        """Into folder/log, beside folder/config.toml, whose path is given."""
        (folder / "log").mkdir(exist_ok=True)
        by_day: dict[str, list[str]] = {}
        for line in self.lines:
            by_day.setdefault(line["ts"][:10], []).append(json.dumps(line, separators=(",", ":")))
        for day, lines in by_day.items():
            (folder / "log" / f"events-{day}.jsonl").write_text("\n".join(lines) + "\n", "utf-8")
        config = folder / "config.toml"
        config.write_text(CONFIG, "utf-8")
        return config


def decoded(log: Log) -> Iterable[dict[str, Any]]:
    return log.lines
