"""Signals of the config that were never heard, or that say what is not understood: a misspelt topic, word or pointer.

The rules know names, not topics, so this is the shell's: an alarm for whatever ought to have spoken by now, a line in
the log and in the status for what speaks only when somebody presses it. Nothing here changes what the rules do.
"""

from collections.abc import Mapping, Sequence
from math import inf
from types import MappingProxyType
from typing import TYPE_CHECKING, Final

from gatehand.config.signals import SENSORS, Signal
from gatehand.journal.line import OwnEvent
from gatehand.shell import own_alarms
from gatehand.shell.active_config import ActiveConfig
from gatehand.shell.alarms import ShownAlarm
from gatehand.shell.explain import Explainer
from gatehand.shell.repeats import SURE, Odd
from gatehand_rules import Alarm, Fact, Outcome
from gatehand_rules.commands import CollectorOn, Command, OpenGate

if TYPE_CHECKING:
    from gatehand.shell.engine import Engine

PATIENCE: Final = 60.0
"""Seconds with the broker up."""
TWICE: Final = 2
"""A word that is none of a signal's own, heard so often, is no slip."""
_LONGEST_BEAT: Final = 2.0
"""Seconds: a beat that comes later than this was held up, and so may have been what it waits for."""


class Unheard:
    """What has not been heard, and since when it could have been."""

    def __init__(self, active: ActiveConfig, engine: "Engine") -> None:
        self._notebook = engine.notebook
        self._engine = engine
        self._explainer = Explainer(engine)
        self._connected = False
        self._up = 0.0
        """Seconds with the broker up, as beats have counted them."""
        self._beat_at: float | None = None
        self._since: dict[Signal, float] = {}
        """What was never heard, and `_up` when it began to be waited for."""
        self._noted: set[Signal] = set()
        self._raised: dict[Alarm, str] = {}
        """Alarms of ours, and what they say."""
        self._shown: dict[tuple[str, str], dict[str, list[object]]] = {}
        self.swap(active)

    def swap(self, active: ActiveConfig) -> None:
        """Another config: what stays goes on being waited for since it was."""
        self._active = active
        self._signals = tuple(one for one in active.config.signals() if one.heard is not None)
        unheard = [one for one in self._signals if not self._notebook.was_heard(one.place)]
        waits = [one for one in unheard if not _waits_for_command(one) or one in self._since]
        self._since = {one: self._since.get(one, self._up) for one in waits}
        self._noted &= self._since.keys()

    def connected(self, up: bool) -> None:
        """The broker is there, or gone."""
        self._connected, self._beat_at = up, None

    def commanded(self, command: Command) -> None:
        """It has left: whoever reports back has something to say now. "off" and "shut" may change nothing."""
        match command:
            case CollectorOn(collector=name):
                subject = ("collector", name)
            case OpenGate(gate=name):
                subject = ("gate", name)
            case _:
                return
        for one in self._signals:
            if (one.kind, one.name) == subject and _waits_for_command(one) and not self._notebook.was_heard(one.place):
                self._since.setdefault(one, self._up)

    def beat(self, now: float) -> tuple[tuple[str, str], ...]:
        """Once a second. Gives the subjects whose status says something else now."""
        if self._connected:
            self._up += 0.0 if self._beat_at is None else min(now - self._beat_at, _LONGEST_BEAT)
            self._beat_at = now
        for one in [one for one in self._since if self._notebook.was_heard(one.place)]:
            del self._since[one]
            if one in self._noted:
                self._noted.discard(one)
                self._note(OwnEvent.SIGNAL_HEARD, one)
        before = self._shown
        self._look(now)
        subjects = {**before, **self._shown}
        return tuple(each for each in subjects if before.get(each) != self._shown.get(each))

    def shown(self, kind: str, name: str) -> Mapping[str, object]:
        """For a status: topics never heard, what was not understood, since when it is offline. Empty: all is well."""
        return {**self._shown.get((kind, name), {}), **self._explainer.shown(kind, name)}

    def explained(self, outcome: Outcome) -> Outcome:
        """The same, with what the rules cannot know of devices that are silent or have not answered."""
        return self._explainer.explained(outcome)

    # Inside

    def _look(self, now: float) -> None:
        rejections = self._active.routes.rejections
        odd = [(one, found) for one in self._signals if (found := rejections.odd.get(one.whose))]
        silent = [one for one, since in self._since.items() if self._up - since >= PATIENCE]
        # With what its device says instead, where it speaks.
        due = [(one, rejections.left_out.get(one.whose)) for one in silent if one.whose not in rejections.odd]
        for one, instead in due:
            if one not in self._noted:
                self._noted.add(one)
                self._note(OwnEvent.SIGNAL_UNHEARD, one, {} if instead is None else {"wanted": instead.why})
        odd += self._wrong_or_gone(odd, now)
        wanted = dict[Alarm, ShownAlarm]()
        for one, found in odd:
            # Nobody is safe by a stop contact that is not understood.
            if one.key != "button" and (one.is_stop or now - found.since >= PATIENCE):
                alarm = own_alarms.not_understood(one.kind, one.name, one.key, one.topic, found.bad)
                wanted.setdefault(alarm.alarm, alarm)
        for one, instead in due:
            if not self._speaks_on_change(one):
                if instead is None:
                    alarm = own_alarms.unheard(one.kind, one.name, one.topic, one.key)
                else:
                    alarm = own_alarms.not_understood(one.kind, one.name, one.key, one.topic, instead)
                wanted.setdefault(alarm.alarm, alarm)
        raised = self._engine.publisher.alarms.raised
        for tool in self._active.config.tool:
            # One cause, one alarm: the rules' own names the topic too, and says what was not understood.
            if Alarm("tool", tool, "silent").id in raised:
                wanted.pop(own_alarms.about_unheard("tool", tool), None)
        self._explainer.look(raised)
        for about, alarm in wanted.items():
            if self._raised.get(about) != alarm.because:
                self._engine.raise_alarm(alarm)
        for about in self._raised.keys() - wanted.keys():
            self._engine.clear_alarm(about)
        self._raised = {about: alarm.because for about, alarm in wanted.items()}
        self._shown = {}
        for one, instead in due:
            text = one.topic if instead is None else f"{one.topic} ({instead.why})"
            self._shown.setdefault((one.kind, one.name), {}).setdefault("unheard", []).append(text)
        for one, found in dict(odd).items():
            said = {"key": one.key, "topic": one.topic, "said": found.bad.shown, "why": found.bad.why}
            self._shown.setdefault((one.kind, one.name), {}).setdefault("not_understood", []).append(said)

    def _wrong_or_gone(self, told: Sequence[tuple[Signal, Odd]], now: float) -> list[tuple[Signal, Odd]]:
        """What said a wrong word twice, and what came with each message and no longer does."""
        rejections = self._active.routes.rejections
        known = {one.whose for one, odd in told if now - odd.since >= PATIENCE}
        found = list[tuple[Signal, Odd]]()
        for one in self._signals:
            wrong, gone = rejections.wrong_words.get(one.whose), rejections.gone.get(one.whose)
            if one.whose in known:
                continue
            if wrong is not None and wrong.times >= TWICE:  # its other word may be right, and ends nothing
                found.append((one, Odd(wrong.bad, -inf)))
            elif gone is not None and gone.times >= SURE and now - gone.since >= PATIENCE:
                found.append((one, Odd(gone.bad, gone.since)))
        return found

    def _speaks_on_change(self, one: Signal) -> bool:
        """It speaks when something changes, so that its silence means nothing yet."""
        if one.kind == "tool" and one.key in SENSORS:
            return self._active.config.tool[one.name].silent_after == 0
        return not one.is_stop and not _waits_for_command(one)

    def _note(self, event: str, one: Signal, more: Mapping[str, Fact] = MappingProxyType({})) -> None:
        self._engine.note(event, {one.kind: one.name, "key": one.key, "topic": one.topic, **more})


def _waits_for_command(one: Signal) -> bool:
    """It need not speak before its device was told to do something.

    A collector's sensor may speak only on change as well, and of what it may be silent is not said: a start changes it.
    """
    return (one.kind in {"gate", "collector"} and one.key == "state") or (
        one.kind == "collector" and (one.key in SENSORS or one.key == "suction")
    )
