"""Counts over a run: cuts and hours of each tool, starts and hours of each collector, gate movements, what was refused.

Fed with findings alone, so that a replay and the event log are counted alike.
"""

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final

from gatehand_rules.findings import Fact, Happened, Rule

HOUR_MS: Final = 3_600_000
_ENDS_CUT: Final = frozenset({Happened.TOOL_STOPPED, Happened.TOOL_MUTED, Happened.TOOL_SILENT})
_NO_MOVEMENT: Final = frozenset({Rule.RETRY, Rule.BROKER})


@dataclass(slots=True)
class Use:
    """Of one tool or collector: each time it ran, wall ms from and to (None: it still runs)."""

    spans: list[tuple[int, int | None]] = field(default_factory=list)

    def begin(self, ms: int) -> None:
        """It starts, unless it runs."""
        if not self.spans or self.spans[-1][1] is not None:
            self.spans.append((ms, None))

    def end(self, ms: int) -> None:
        """It stops, if it runs."""
        if self.spans and self.spans[-1][1] is None:
            self.spans[-1] = (self.spans[-1][0], ms)

    def total_ms(self, until: int) -> int:
        """How long it ran, what still runs counted to `until`."""
        return sum(max(0, (until if end is None else end) - start) for start, end in self.spans)

    @property
    def starts(self) -> int:
        """How often."""
        return len(self.spans)


@dataclass(slots=True)
class Tally:
    """A run in numbers."""

    tools: dict[str, Use] = field(default_factory=dict)
    collectors: dict[str, Use] = field(default_factory=dict)
    switched_on: dict[str, list[int]] = field(default_factory=dict)
    """When each collector was told on (a refresh is no start)."""
    missed: Counter[tuple[str, str]] = field(default_factory=Counter)
    """(tool, rule) of starts that were missed."""
    refused: Counter[tuple[str, str]] = field(default_factory=Counter)
    """(tool or gate, rule) of starts that were refused."""
    movements: Counter[str] = field(default_factory=Counter)
    """Commands to each gate, retries left out."""
    faults: Counter[str] = field(default_factory=Counter)
    alarms: Counter[str] = field(default_factory=Counter)
    vetoes: int = 0

    def take(self, ms: int, line: Mapping[str, Fact]) -> None:
        """Count one finding (as a line has it) at `ms`, wall time."""
        event, rule = line.get("event"), line.get("rule")
        tool, gate, collector = (_text(line, key) for key in ("tool", "gate", "collector"))
        if tool:
            self._tool(ms, event, rule, tool, line)
        if event == Happened.GATE_COMMANDED and gate and rule not in _NO_MOVEMENT:
            self.movements[gate] += 1
        elif event == Happened.GATE_FAULT and gate:
            self.faults[gate] += 1
        elif event == Happened.START_REFUSED and not tool and gate:
            self.refused[gate, str(rule)] += 1
        elif event == Happened.START_MISSED and not tool and collector:
            self.missed[collector, str(rule)] += 1
        elif event == Happened.ALARM_RAISED:
            self.alarms[_text(line, "alarm")] += 1
        elif event == Happened.COMMAND_VETOED:
            self.vetoes += 1
        elif collector:
            self._collector(ms, event, rule, collector)

    def _tool(self, ms: int, event: Fact, rule: Fact, tool: str, line: Mapping[str, Fact]) -> None:
        if event == Happened.TOOL_STARTED:
            self.tools.setdefault(tool, Use()).begin(ms)
        elif event in _ENDS_CUT and line.get("was") in {None, "running"}:
            self.tools.setdefault(tool, Use()).end(ms)
        elif event == Happened.START_MISSED:
            self.missed[tool, str(rule)] += 1
        elif event == Happened.START_REFUSED:
            self.refused[tool, str(rule)] += 1

    def _collector(self, ms: int, event: Fact, rule: Fact, collector: str) -> None:
        use = self.collectors.setdefault(collector, Use())
        if event == Happened.COLLECTOR_ON and rule != Rule.REFRESH:
            use.begin(ms)
            self.switched_on.setdefault(collector, []).append(ms)
        elif event in {Happened.COLLECTOR_ADOPTED, Happened.COLLECTOR_ON}:
            use.begin(ms)
        elif event == Happened.COLLECTOR_OFF:
            use.end(ms)

    def stop_all(self, ms: int) -> None:
        """The daemon stops or starts anew: what runs is known to run no further."""
        for use in (*self.tools.values(), *self.collectors.values()):
            use.end(ms)

    def shift_open(self, by_ms: int) -> None:
        """The wall clock stepped: what runs began that much later by it."""
        for use in (*self.tools.values(), *self.collectors.values()):
            if use.spans and use.spans[-1][1] is None:
                use.spans[-1] = (use.spans[-1][0] + by_ms, None)

    def worst_hour(self, collector: str) -> tuple[int, int | None]:
        """The most starts within any hour, and when that hour began."""
        times = self.switched_on.get(collector, [])
        best, began, low = 0, None, 0
        for high, ms in enumerate(times):
            while times[low] <= ms - HOUR_MS:
                low += 1
            if high - low + 1 > best:
                best, began = high - low + 1, times[low]
        return best, began


def _text(line: Mapping[str, Fact], key: str) -> str:
    value = line.get(key)
    return value if isinstance(value, str) else ""
