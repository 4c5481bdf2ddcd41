"""What screens are shown of tools, gates and collectors: one retained JSON message each, built from the rules' state.

Nothing is decided or remembered here but since when a state's word stands, why, and what the broker was last told.
"""

import json
import math
from collections.abc import Callable, Iterable, Mapping
from typing import Final, TypeAlias

from msgspec import Struct

from gatehand.mqtt.transport import MessageKind, Outgoing
from gatehand.times import stamp
from gatehand_rules import collectors
from gatehand_rules.shop import CollectorAt, GateAt, Shop, ToolAt
from gatehand_rules.state import (
    CollectorState,
    GateOpen,
    Held,
    State,
    ToolRunning,
    ToolRunOn,
    ToolSilent,
    ToolState,
    collector_word,
    gate_word,
    tool_word,
)
from gatehand_rules.words import CollectorWord

Subject: TypeAlias = tuple[str, str]
"""Kind and name: ("tool", "band_saw")."""
MoreOfStatus: TypeAlias = Callable[[str, str], Mapping[str, object]]
"""What else a status says, by kind and name."""

AT_START: Final = "nothing has happened since the daemon's start"
_OF_ITSELF: Final[dict[str, str]] = {
    CollectorWord.OFF: "the fan stands still",
    CollectorWord.OPENING: "waits for its gates",
    CollectorWord.RUNNING: "at full flow",
    CollectorWord.RUN_ON: "nothing cuts any more",
    CollectorWord.COAST_DOWN: "called off before it was told on",
}
"""Phases that a collector comes to without a finding of its own."""
VISIBLE: Final = 0.02
"""Share of `start_amps` by which a current must have moved to be shown anew: a resting sensor's noise moves less."""


class Moment(Struct, frozen=True):
    """One instant on both clocks, so that a deadline of the rules can be shown as a time of day."""

    mono: float
    offset: float
    """Wall time less monotonic time."""

    @property
    def wall(self) -> float:
        """Wall seconds."""
        return self.mono + self.offset

    def of(self, mono: float) -> str:
        """RFC 3339 of a monotonic instant."""
        return stamp(self.offset + mono)


class _Shown(Struct):
    """What is kept of one subject between messages."""

    word: str = ""
    since: float = 0.0
    because: str = AT_START
    explained: bool = True
    """`because` is newer than the word."""
    sent: bytes = b""
    amps: float | None = None
    """A tool's current as sent."""


class Statuses:
    """The status messages of one shop."""

    def __init__(self, base: str, shop: Shop, hold_id: Callable[[str], str | None], more: MoreOfStatus) -> None:
        """`hold_id`: of the hold that a collector is under."""
        self._base = base
        self._hold_id = hold_id
        self._more = more
        self._shown: dict[Subject, _Shown] = {}
        self.reshape(shop)

    def reshape(self, shop: Shop) -> tuple[Outgoing, ...]:
        """Another shop: what stays keeps its past; gives the messages that remove what is gone."""
        self._shop = shop
        subjects = subjects_of(shop)
        gone = [subject for subject in self._shown if subject not in subjects]
        self._shown = {subject: self._shown.get(subject, _Shown()) for subject in subjects}
        return tuple(Outgoing(self._topic(subject), b"", MessageKind.STATUS) for subject in gone)

    def knows(self, subject: Subject) -> bool:
        """Whether the shop has it."""
        return subject in self._shown

    def forget_sent(self) -> None:
        """A new connection: the broker may have forgotten everything."""
        for shown in self._shown.values():
            shown.sent = b""

    def because(self, subject: Subject, text: str) -> None:
        """Why the subject is as it is."""
        if subject in self._shown:
            self._shown[subject].because = text
            self._shown[subject].explained = True

    def has_moved(self, subject: Subject, state: State) -> bool:
        """Whether a tool's current is visibly another than the one last sent."""
        at, shown = self._shop.tool_at(subject[1]), self._shown.get(subject)
        if at is None or shown is None:
            return False
        amps = state.tools[at].amps
        if amps is None or shown.amps is None:
            return amps is not shown.amps
        return abs(amps - shown.amps) >= VISIBLE * self._shop.tools[at].start_amps

    def messages(self, subjects: Iterable[Subject], state: State, at: Moment) -> list[Outgoing]:
        """The messages of those subjects for which the broker was last told something else."""
        found = []
        for subject in subjects:
            shown = self._shown.get(subject)
            if shown is None:
                continue
            word, facts = self._facts(subject, state, at)
            if word != shown.word:
                if not shown.explained and subject[0] == "collector":
                    shown.because = _OF_ITSELF.get(word, shown.because)
                shown.word, shown.since, shown.explained = word, at.wall, False
            body = {
                "state": word,
                "since": stamp(shown.since),
                "because": shown.because,
                **facts,
                **self._more(*subject),
            }
            payload = json.dumps(body, ensure_ascii=False).encode("utf-8", "backslashreplace")
            if payload != shown.sent:
                shown.sent, shown.amps = payload, _amps(facts)
                found.append(Outgoing(self._topic(subject), payload, MessageKind.STATUS))
        return found

    def _topic(self, subject: Subject) -> str:
        return f"{self._base}/{subject[0]}/{subject[1]}"

    def _facts(self, subject: Subject, state: State, at: Moment) -> tuple[str, dict[str, object]]:
        match subject:
            case ("tool", name) if (tool := self._shop.tool_at(name)) is not None:
                return str(tool_word(state.tools[tool])), self._tool(tool, state.tools[tool], at)
            case ("gate", name) if (gate := self._shop.gate_at(name)) is not None:
                return str(gate_word(state.gates[gate])), self._gate(gate, state, at)
            case ("collector", name) if (fan := self._shop.collector_at(name)) is not None:
                return str(collector_word(state.collectors[fan])), self._collector(fan, state, at)
        return "unknown", {}

    def _tool(self, i: ToolAt, state: ToolState, at: Moment) -> dict[str, object]:
        tool = self._shop.tools[i]
        ends = None
        if isinstance(state, ToolRunOn):
            ends = state.since + tool.run_on
        elif isinstance(state, ToolSilent) and not state.let_go and isinstance(state.was, ToolRunning | ToolRunOn):
            ends = (state.was.since if isinstance(state.was, ToolRunOn) else state.since) + tool.run_on
        facts: dict[str, object] = {
            "amps": state.amps,
            "start_amps": tool.start_amps,
            "stop_amps": tool.stop_amps,
            "gates": tool.gates,
            "collector": tool.collector,
            "run_on": tool.run_on,
            "run_on_ends": None if ends is None else at.of(ends),
        }
        speaking = state.was if isinstance(state, ToolSilent) else state
        if isinstance(speaking, ToolRunning | ToolRunOn):
            facts["standing"] = str(speaking.freshness)
        return facts

    def _gate(self, i: GateAt, state: State, at: Moment) -> dict[str, object]:
        gate, seen = self._shop.gates[i], state.gates[i]
        hand_ends = None if seen.hand is None else at.of(seen.hand.since + gate.hand_limit)
        return {
            "collector": gate.collector,
            "proven": isinstance(seen.move, GateOpen),
            "reported": None if seen.reported is None else str(seen.reported),
            "reports": gate.reports,
            "by_hand": not gate.commanded,
            "hand": seen.hand is not None,
            "hand_ends": hand_ends,
        }

    def _collector(self, i: CollectorAt, state: State, at: Moment) -> dict[str, object]:
        collector, seen = self._shop.collectors[i], state.collectors[i]
        tools = [
            tool.name
            for tool, each in zip(self._shop.tools, state.tools, strict=True)
            if tool.collector == collector.name and isinstance(each, ToolRunning)
        ]
        hands = [
            gate.name
            for gate, each in zip(self._shop.gates, state.gates, strict=True)
            if gate.collector == collector.name and each.hand is not None
        ]
        until = self._on_until(collector.name, seen, state)
        return {
            "running": tools,
            "hands": hands,
            "run_on_until": None if until is None else at.of(until),
            "coast_down_until": at.of(seen.still_at) if _coasts(seen, at.mono) else None,
            "reported_on": seen.reported_on,
            "drawing": seen.drawing,
            "starts_this_hour": len(collectors.spent(seen, at.mono)) if collector.starts_per_hour is not None else None,
            "starts_per_hour": collector.starts_per_hour,
            "bin_full": seen.bin_full,
            "held": seen.phase.why if isinstance(seen.phase, Held) else None,
            "hold_id": self._hold_id(collector.name) if isinstance(seen.phase, Held) else None,
        }

    def _on_until(self, name: str, seen: CollectorState, state: State) -> float | None:
        """Until when the last run-on keeps it on; None while a tool cuts, a hand start lasts, or it is off."""
        if not seen.on_phase:
            return None
        ends = []
        for tool, each in zip(self._shop.tools, state.tools, strict=True):
            if tool.collector == name and isinstance(each, ToolRunning):
                return None
            if tool.collector == name and isinstance(each, ToolRunOn):
                ends.append(each.since + tool.run_on)
        return max(ends, default=None)


def _amps(facts: dict[str, object]) -> float | None:
    amps = facts.get("amps")
    return amps if isinstance(amps, float) else None


def _coasts(seen: CollectorState, now: float) -> bool:
    """Switched off and not known to turn: it stands still at an instant that is known."""
    return not seen.on_phase and now < seen.still_at < math.inf


def subjects_of(shop: Shop) -> dict[Subject, None]:
    """Everything in the shop that has a status, in the order of the config."""
    found: dict[Subject, None] = {("collector", collector.name): None for collector in shop.collectors}
    found.update({("gate", gate.name): None for gate in shop.gates})
    found.update({("tool", tool.name): None for tool in shop.tools})
    return found


def changed(shop: Shop, before: State, after: State) -> dict[Subject, None]:
    """The subjects whose state is another object than before, and all collectors."""
    found: dict[Subject, None] = {("collector", collector.name): None for collector in shop.collectors}
    if before.gates is not after.gates:
        for gate, old_gate, new_gate in zip(shop.gates, before.gates, after.gates, strict=True):
            if old_gate is not new_gate:
                found["gate", gate.name] = None
    if before.tools is not after.tools:
        for tool, old_tool, new_tool in zip(shop.tools, before.tools, after.tools, strict=True):
            if old_tool is not new_tool:
                found["tool", tool.name] = None
    return found
