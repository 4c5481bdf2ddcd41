"""The timeline on the screen: seconds, what happened in the shop, and beside it what Gatehand did and why.

Rows come from two sides, the shop as it acts and the event log as it grows, and are put in order of time. Decides what
is worth a row; the sentences are the journal's.
"""

import math
from collections.abc import Callable, Iterable
from itertools import zip_longest
from typing import Final

from gatehand.journal.line import LogLine, OwnEvent
from gatehand.journal.sentences import sentence, spoken_alarm
from gatehand.terminal import hung, padded
from gatehand.text import as_sentence
from gatehand_rules.findings import Happened, Rule

NARROWEST: Final = 40
_BESIDE: Final = 80
_OURS: Final = "> "
"""Before Gatehand's words where they stand below the shop's."""
WIDEST: Final = 120
_TIME: Final = 6
_GAP: Final = 2
_SHOP_SHARE: Final = 0.36
_SETTLED: Final = 0.25
"""Seconds after which no row of an earlier time comes any more: the log's way to the disk and back."""
_ONE_ROW: Final = 0.15
"""Gatehand's first answer to a happening stands beside it when it came within so many seconds."""

_NO_ROW: Final[frozenset[str]] = frozenset(
    {
        Happened.TOOL_HEARD,
        Happened.GATE_BETWEEN,
        Happened.COLLECTOR_RUNNING,
        Happened.COLLECTOR_STOOD,
        Happened.COLLECTOR_WAITED,
        Happened.BIN_FULL,
        Happened.BIN_CLEARED,
        Happened.DEVICE_OFFLINE,
        Happened.DEVICE_ONLINE,
        Happened.READING_REJECTED,
        Happened.MESSAGE_IGNORED,
        Happened.BROKER_CONNECTED,
        Happened.STOPS_LOST,
        Happened.STOPS_HEARD,
        Happened.DAEMON_STOOD_STILL,
        Happened.DAEMON_CAUGHT_UP,
    }
)
_ROW: Final = frozenset[str]({*Happened, OwnEvent.CONFIG_REJECTED}) - _NO_ROW

_ALARMS: Final[dict[str, str]] = {Happened.ALARM_RAISED: "ALARM", Happened.ALARM_CLEARED: "alarm over"}


def has_row(line: LogLine) -> bool:
    """Whether an event gets a row. The log has them all; a row for each would bury what matters."""
    event, rule = line["event"], line.get("rule")
    if event == OwnEvent.CONFIG_LOADED:
        return "changed" in line
    if event == Happened.GATE_COMMANDED:
        return rule in {Rule.RETRY, Rule.FAN_AGAINST_SHUT_GATES} or line.get("instead_of") is not None
    if event == Happened.RUN_ON_ENDED:
        return line.get("run_on") != 0
    if event == Happened.COLLECTOR_ON:
        return rule != Rule.REFRESH
    return event in _ROW


class Timeline:
    """Collects rows and prints those whose time has come. Times are monotonic seconds; `opened` is second 0."""

    def __init__(self, width: int, write: Callable[[str], None]) -> None:
        width = max(NARROWEST, min(WIDEST, width)) - 1
        self._beside = width >= _BESIDE - 1
        """Two columns; on a narrow screen Gatehand's words stand below the shop's."""
        self._shop_width = int((width - _TIME) * _SHOP_SHARE) if self._beside else width - _TIME - _GAP
        self._our_width = width - _TIME - _GAP - (self._shop_width + _GAP if self._beside else len(_OURS))
        self._write = write
        self._rows: list[tuple[float, int, str, bool]] = []
        self._count = 0
        self._last_time = ""
        self._opened = math.inf

    def open(self, at: float) -> None:
        """Print the heading; what follows counts from `at`."""
        self._opened = at
        if self._beside:
            self._write(self._laid("s", "In the shop", "What Gatehand did, and why"))
            self._write(self._laid("-" * _TIME, "-" * self._shop_width, "-" * self._our_width))
        else:
            self._write(self._laid("s", "In the shop", ""))
            self._write(self._laid("", f"{_OURS}what Gatehand did, and why", ""))
            self._write(self._laid("-" * _TIME, "-" * self._shop_width, ""))

    def shop(self, at: float, text: str) -> None:
        """Something happened in the shop."""
        self._add(at, text, ours=False)

    def gatehand(self, lines: Iterable[LogLine]) -> None:
        """Lines of the event log, as they are read. Alarms of one instant share a row."""
        alarms: dict[tuple[float, str], list[str]] = {}
        for line in _without_echo(list(filter(has_row, lines))):
            at = line.get("mono")
            if not isinstance(at, float | int) or at < self._opened:
                continue
            heading = _ALARMS.get(str(line["event"]))
            if heading is None:
                self._add(float(at), as_sentence(sentence(line)), ours=True)
            else:
                alarms.setdefault((float(at), heading), []).append(spoken_alarm(str(line.get("alarm"))))
        for (at, heading), names in alarms.items():
            self._add(at, as_sentence(f"{heading}: {', '.join(names)}"), ours=True)

    def print_until(self, now: float) -> None:
        """Print the rows that no earlier one can still precede, and whose answer would be here."""
        self._rows.sort()
        while self._rows and self._rows[0][0] <= now - _SETTLED - _ONE_ROW:
            at, _, text, ours = self._rows.pop(0)
            if ours:
                self._print(at, "", text)
            elif self._rows and self._rows[0][3] and self._rows[0][0] - at <= _ONE_ROW:
                self._print(at, text, self._rows.pop(0)[2])
            else:
                self._print(at, text, "")

    def _add(self, at: float, text: str, *, ours: bool) -> None:
        self._count += 1
        self._rows.append((at, self._count, text, ours))

    def _print(self, at: float, left: str, right: str) -> None:
        lefts, rights = list(hung(left, self._shop_width)), list(hung(right, self._our_width))
        if not self._beside:
            lefts += [f"{'' if number else _OURS:<{len(_OURS)}}{each}" for number, each in enumerate(rights)]
            rights = []
        time = f"{max(0.0, at - self._opened):.1f}"
        for row, (shop, ours) in enumerate(zip_longest(lefts, rights, fillvalue="")):
            # The same time again would only hide where a new moment begins.
            is_new = row == 0 and (bool(left) or time != self._last_time)
            self._write(self._laid(time if is_new else "", shop, ours))
        self._last_time = time

    def _laid(self, time: str, left: str, right: str) -> str:
        gap = " " * _GAP
        return f"{time:>{_TIME}}{gap}{padded(left, self._shop_width)}{gap}{right}".rstrip()


def _without_echo(lines: list[LogLine]) -> list[LogLine]:
    """Less the end of a run-on in whose instant the collector goes off: its row says as much."""
    offs = {line.get("mono") for line in lines if line["event"] == Happened.COLLECTOR_OFF}
    return [line for line in lines if line["event"] != Happened.RUN_ON_ENDED or line.get("mono") not in offs]
