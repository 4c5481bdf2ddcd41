"""A log written by hand, to the millisecond, with no recording beside it: each boundary of an answer can be tried."""

import json
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from support.recorded_shop import SHOP

from gatehand.config import load
from gatehand.times import from_ms, stamp, stamp_ms
from gatehand.why.ask import Explanation, ask
from gatehand.why.moment import Asked, SubjectKind
from gatehand.why.told import as_json
from gatehand_rules.findings import Fact

ZERO = round(datetime(2026, 3, 5, 9, tzinfo=UTC).timestamp() * 1000)
"""09:00:00, the ms from which a written log counts."""


@dataclass(slots=True)
class WrittenLog:
    """Lines by hand; `ms` counts from 09:00."""

    place: Path
    text: str = SHOP
    run: str = "run1"
    lines: list[dict[str, Fact]] = field(default_factory=list)

    def add(self, ms: int, event: str, rule: str = "", /, **facts: Fact) -> "WrittenLog":
        """One line more."""
        named: dict[str, Fact] = {"event": event, **({"rule": rule} if rule else {}), **facts}
        seq = len(self.lines) + 1
        head: dict[str, Fact] = {"ts": stamp((ZERO + ms) / 1000), "mono": ms / 1000, "run": self.run, "seq": seq}
        self.lines.append({**head, **named})
        return self

    def ask(self, subject: tuple[SubjectKind, str] | None, ms: int | None = None, lasts: int = 1000) -> Explanation:
        """The answer; without a moment about the last that did not happen."""
        found = self.ask_or_none(subject, ms, lasts)
        assert found is not None
        return found

    def ask_or_none(
        self, subject: tuple[SubjectKind, str] | None, ms: int | None = None, lasts: int = 1000
    ) -> Explanation | None:
        """The same; None where nothing failed to happen."""
        config = self.place / "config.toml"
        config.write_text(self.text, "utf-8")
        folder = self.place / "log"
        folder.mkdir(exist_ok=True)
        for path in folder.iterdir():
            path.unlink()
        ordered = sorted(self.lines, key=lambda line: stamp_ms(str(line["ts"])))
        whole = "".join(json.dumps(line) + "\n" for line in ordered)
        (folder / "events-2026-03-05.jsonl").write_text(whole, "utf-8")
        loaded = load(config, files=False)
        assert loaded.config is not None, loaded.problems
        assert loaded.shop is not None
        asked = None if ms is None else Asked(from_ms(ZERO + ms), lasts)
        return ask(loaded.config, loaded.shop, folder, subject, asked)

    def told(self, subject: tuple[SubjectKind, str] | None, ms: int | None = None, lasts: int = 1000) -> dict[str, Any]:
        """The answer as JSON has it."""
        return as_json(self.ask(subject, ms, lasts))


def started(place: Path, text: str = SHOP) -> WrittenLog:
    """A daemon that started half an hour before."""
    return WrittenLog(place, text).add(-1_800_000, "daemon_started", version="0")


SAW: tuple[SubjectKind, str] = ("tool", "band_saw")
GATE: tuple[SubjectKind, str] = ("gate", "band_saw")
FAN: tuple[SubjectKind, str] = ("collector", "main")
AT: dict[str, Fact] = {"tool": "band_saw", "collector": "main"}
BEGUN: dict[str, Fact] = {**AT, "amps": 6, "start_amps": 2.5}
WHY = "band saw started at 09:00:00 (6 A, at or above its start_amps of 2.5 A) and got no air, because "


def cut(place: Path, text: str = SHOP, until: int = 20_000) -> WrittenLog:
    """A cut from 09:00:00.000."""
    log = started(place, text).add(0, "tool_started", "start_threshold", **BEGUN)
    return log.add(until, "tool_stopped", "stop_threshold", **AT, was="running")


def faulty(place: Path, **facts: Fact) -> WrittenLog:
    """A cut whose gate is faulty 3 s later."""
    log = cut(place)
    fault: dict[str, Fact] = {
        "gate": "band_saw",
        "collector": "main",
        "wanted": "open",
        "waited": 3,
        "travel": 1.5,
        "retries": 1,
    }
    return log.add(3000, "gate_fault", "travel", **{**fault, **facts})
