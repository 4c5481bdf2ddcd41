"""Whether what the daemon says of fans and gates was said by anything: its log's sentences, its alarms, its statuses.

Knows what the daemon has heard, by the simulation's own reader of payloads, and looks at each sentence that it makes: a
switch that "reports off" has said so last, of an age that is told rightly; a relay "may be welded" only where something
has said live, after the fan was switched off, that it is on; a fan "has stopped turning" while nothing that watches it
says that it is on, and not beside an "off" that is not confirmed; a device "is offline" that has said so last, and is
not called slow or jammed then.
"""

import json
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from math import inf

from sim_time import Clocks
from support.signal_words import Signal, signals

from gatehand.config import Config
from gatehand.journal.line import LogLine
from gatehand.journal.sentences import sentence

_CLOSE = 0.1
"""Seconds by which a told age may be off: the daemon takes a message in whole milliseconds."""
_SWITCH = re.compile(r"its switch (?:last |still )?report(?:s|ed) (on|off)")
_MOTOR = re.compile(
    r"its motor(?:'s (?:meter|contact) (?:last |still )?sa(?:ys|id) [^;,]*|"
    r" (?:still )?draws (?:nothing|only|current|[0-9])[^;,]*)"
)
_BLAMED = "may be welded"
_STOPPED = "has stopped turning"
_OFFLINE = "its device is offline"


@dataclass
class Said:
    """What one signal said last: its meaning, when, whether it was live; and what it said beside that may not count."""

    last: str | float | None = None
    at: float = -inf
    live: bool = False
    beside: set[str | float] = field(default_factory=set)


class Words:
    """The ears of one life of the daemon, and what it says. `breach` is told what was said without a witness."""

    def __init__(self, config: Callable[[], Config], clocks: Clocks, breach: Callable[[str, str], None]) -> None:
        self._config = config
        self._clocks = clocks
        self._breach = breach
        self._said: dict[tuple[str, str], Said] = {}
        self._heard_by: Config | None = None
        self._signals: dict[str, list[Signal]] = {}
        self.still = False
        """The daemon stands still, or reads what waited: what comes may count, and need not."""
        self.checked = 0
        self._told: set[str] = set()
        self._raised: dict[str, float] = {}
        """Alarms, and when they were first shown."""

    def heard(self, topic: str, payload: bytes, *, retained: bool) -> None:
        """The daemon is about to hear this."""
        config = self._config()
        if config is not self._heard_by:
            self._heard_by, self._signals = config, signals(config)
        for signal in self._signals.get(topic, ()):
            if signal.what not in {"fan", "fan_reads", "gate_online"} or signal.at is not None:
                continue
            meaning = signal.read(payload)
            if meaning is None or meaning == "other":
                continue
            said = self._said.setdefault((signal.what, signal.name), Said())
            if self.still or (retained and signal.what == "fan_reads"):
                said.beside.add(meaning)
                continue
            said.last, said.at, said.live = meaning, self._clocks.now, not retained
            said.beside.clear()

    def edited(self) -> None:
        """Another config: names and topics may be others, and what was heard of them begins anew."""
        self._said.clear()

    def lines(self, lines: Sequence[LogLine]) -> None:
        """The daemon writes these into its log."""
        for line in lines:
            event = line.get("event")
            if event in {"collector_running", "collector_stood", "collector_unanswered", "alarm_raised"}:
                self._of_fan(line, sentence(line))
            elif event == "gate_fault":
                self._of_gate(line, sentence(line))
            elif event == "gate_commanded" and _STOPPED in sentence(line):
                self._stopped(str(line.get("collector")), sentence(line))

    def shown(self, topic: str, payload: bytes) -> None:
        """The daemon shows a status or an alarm."""
        kind, _, name = topic.removeprefix(f"{self._config().broker.base}/").partition("/")
        if not payload:
            self._raised.pop(name, None)
        if not payload or kind not in {"alarm", "collector"}:
            return
        facts = json.loads(payload)
        if kind == "alarm" and name.startswith("collector.") and name.endswith(".no_answer"):
            began = self._raised.setdefault(name, self._clocks.now)
            if facts["because"] not in self._told:  # else it is said again, with the facts of then
                self._told.add(facts["because"])
                told = self._clocks.now - began + float(facts.get("told_ago", 0.0))
                facts |= {"collector": facts["name"], "told_ago": told}
                self._of_fan(facts, f"{facts['because']} {facts['next']}", aged=False)
        elif kind == "collector":
            if _STOPPED in facts["because"]:
                self._stopped(name, facts["because"])
                if (facts["switched"] or {}).get("answered") is False:
                    self._breach("words", f"that {name} was switched off is not confirmed, and: {facts['because']}")
            if "switched off" in facts["because"]:
                self._of_fan({"collector": name, "drawing": facts["drawing"]}, facts["because"], aged=False)

    def _of_fan(self, line: Mapping[str, object], text: str, *, aged: bool = True) -> None:
        name = str(line.get("collector"))
        if (found := _SWITCH.search(text)) is not None:
            self._hold("fan", name, found[1] == "on", text, line.get("reported_ago") if aged else None)
        if (found := _MOTOR.search(text)) is not None and line.get("drawing") is not None:
            self._hold("fan_reads", name, bool(line["drawing"]), text, line.get("motor_ago") if aged else None)
        if _BLAMED in text and "If it turns" not in text:
            self.checked += 1
            told, now = line.get("told_ago"), self._clocks.now
            since = now - float(told) - _CLOSE if isinstance(told, int | float) else now
            on = [each for each in self._witnesses(name) if each.live and each.at >= since and self._is_on(name, each)]
            if not on:
                self._breach("words", f"nothing has said since it was switched off that {name} is on: {text}")

    def _hold(self, what: str, name: str, on: bool, text: str, ago: object) -> None:
        """It said so last, and so long ago."""
        said = self._said.get((what, name))
        if said is None:  # heard before an edit
            return
        self.checked += 1
        meanings = {self._turns(what, name, each) for each in (said.last, *said.beside) if each is not None}
        if on not in meanings:
            self._breach("words", f"{what} of {name} said {said.last!r} last, and not: {text}")
        elif isinstance(ago, int | float) and not said.beside and abs(self._clocks.now - said.at - ago) > _CLOSE:
            self._breach("words", f"{what} of {name} spoke {self._clocks.now - said.at:.3f} s ago, not {ago}: {text}")

    def _stopped(self, name: str, text: str) -> None:
        self.checked += 1
        for said in self._witnesses(name):
            if said.live and not said.beside and self._is_on(name, said):
                self._breach("words", f"{name} is on by what was heard last, {said.last!r}: {text}")

    def _of_gate(self, line: Mapping[str, object], text: str) -> None:
        said = self._said.get(("gate_online", str(line.get("gate"))))
        if said is None or said.beside:
            return
        self.checked += 1
        if (said.last == "gone") is not (_OFFLINE in text):
            self._breach("words", f"its device said that it is {said.last} last, and: {text}")

    def _witnesses(self, name: str) -> list[Said]:
        return [said for (what, fan), said in self._said.items() if fan == name and what.startswith("fan")]

    def _is_on(self, name: str, said: Said) -> bool:
        return said.last is not None and self._turns("" if isinstance(said.last, str) else "fan_reads", name, said.last)

    def _turns(self, what: str, name: str, meaning: str | float) -> bool:
        """Whether that is the word, or the reading, of a fan that is on."""
        if what != "fan_reads" or isinstance(meaning, str):
            return meaning in {"on", "active"}
        fan = self._config().collector.get(name)
        return fan is not None and meaning >= fan.turns_at
