"""What must outlive the daemon, kept in step with the rules: holds, resets, what was ever heard, how often, baselines.

Nothing is decided here about the shop. A hold that begins is written at once, and its status is withheld from screens
until it is on the medium, so that nobody is shown a hold that a power cut could undo; no command waits for that. A hold
in here is over only when its collector is in the shop and the rules hold it no longer: never by an edit.
"""

from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Final

from msgspec.structs import replace

from gatehand.journal.clock import Clock
from gatehand.rhythm import Rhythm
from gatehand.shell import own_alarms
from gatehand.shell.active_config import ActiveConfig
from gatehand.shell.ports import HoldKept, Memory, Remembered, Timer, Timers
from gatehand.times import stamp
from gatehand_rules.state import Held, State

if TYPE_CHECKING:
    from gatehand.shell.engine import Engine

WITHHELD_FOR: Final = 1.0
"""Seconds after which a hold is shown although it is not on the medium; an alarm says so."""
MOST_RESETS: Final = 200
"""Resets that are remembered: a broker's retained hold is older than that many only if it was away for months."""
MOST_HEARD: Final = 5000
MOST_RHYTHMS: Final = 1000
MOST_BASELINES: Final = 500
_HEARD_EVERY: Final = 60
"""Beats between two writings of what was heard, which nobody waits for."""
_SOON: Final = 2
"""The same where somebody may wait for it."""


class Notebook:
    """What is remembered, and what of it is on the medium."""

    def __init__(self, memory: Memory, clock: Clock, timers: Timers, engine: "Engine") -> None:
        was = memory.recall()
        self._memory, self._clock, self._timers, self._engine = memory, clock, timers, engine
        self._holds = was.holds
        self._resets = was.resets
        self._heard = dict.fromkeys(was.heard)
        self._baselines = was.baselines
        self._rhythms = dict(was.rhythms)
        self._retained = dict.fromkeys(was.retained)
        self._unreadable = was.unreadable
        self._in_step = False
        """The rules have been told of all that is remembered here; until then what they hold says nothing."""
        self._changed = True
        self._heard_since = 0
        self._given = 0
        """Number of the last writing, and of the last that was answered."""
        self._answered = 0
        self._trouble: str | None = None
        self._withheld: dict[str, tuple[int, Timer]] = {}
        """By collector: the writing that its hold waits for, and the end of patience."""

    # What others ask

    def hold_id(self, collector: str) -> str | None:
        """The id of the hold that it is under."""
        return next((hold.id for hold in self._holds if hold.collector == collector), None)

    def withholds(self, collector: str) -> bool:
        """Whether its status must not be shown yet."""
        return collector in self._withheld

    @property
    def heard(self) -> Iterable[str]:
        """Where values of the shop were ever found, in this run or an earlier one: each `Signal.place`."""
        return self._heard.keys()

    def was_heard(self, place: str) -> bool:
        """Whether a value was ever found there, in this run or an earlier one."""
        return place in self._heard

    def note_heard(self, place: str) -> None:
        """A value of the shop was found there. Cheap; written within a minute or with the next hold."""
        if place not in self._heard and len(self._heard) < MOST_HEARD:
            self._heard[place] = None
            self._heard_since = self._heard_since or _HEARD_EVERY

    def rhythm(self, meter: str) -> Rhythm | None:
        """How often that meter speaks, by its key, as far as it is known from this run and earlier ones."""
        return self._rhythms.get(meter)

    def note_rhythm(self, meter: str, rhythm: Rhythm) -> None:
        """It is this from now on. Written as what was heard is."""
        self._rhythms.pop(meter, None)
        self._rhythms[meter] = rhythm  # the newest last, so that the oldest gives way
        while len(self._rhythms) > MOST_RHYTHMS:
            del self._rhythms[next(iter(self._rhythms))]
        self._heard_since = self._heard_since or _HEARD_EVERY

    @property
    def baselines(self) -> Mapping[str, object]:
        """What was measured once to compare with, by key: each as its owner made it, or as the file has it."""
        return self._baselines

    def note_baseline(self, key: str, baseline: object) -> None:
        """It is this from now on. Written at the next beat; the newest last, so that the oldest gives way."""
        kept = {name: value for name, value in self._baselines.items() if name != key}
        self._baselines = dict([*kept.items(), (key, baseline)][-MOST_BASELINES:])
        self._heard_since = _SOON

    def forget_baseline(self, key: str) -> None:
        """It is kept under another key from now on."""
        self._baselines = {name: value for name, value in self._baselines.items() if name != key}
        self._heard_since = _SOON

    def note_retained(self, topic: str, kept: bool) -> None:
        """The broker keeps a word of the meter there, or was found to keep none. Written at the next beat."""
        if kept is (topic in self._retained) or (kept and len(self._retained) >= MOST_HEARD):
            return
        if kept:
            self._retained[topic] = None
        else:
            del self._retained[topic]
        # `check` reads it, and its owner has just corrected a device and started it anew.
        self._heard_since = _SOON

    # Beginning, and a changed config

    def owed(self, active: ActiveConfig) -> tuple[tuple[str, str], ...]:
        """The collectors that the rules must be told to hold, and why; `in_step` is to be called when they were told.

        A collector that was renamed is known by its command topic, else by its name.
        """
        self._in_step = False
        found = tuple(_named(active, hold) for hold in self._holds)
        self._changed |= found != self._holds
        self._holds = found
        owed = dict.fromkeys(active.encoder.off, self._unreadable) if self._unreadable is not None else {}
        owed.update((hold.collector, hold.why) for hold in reversed(found) if hold.collector in active.encoder.off)
        return tuple(owed.items())

    def in_step(self, active: ActiveConfig, state: State) -> None:
        """The rules have been told what was owed: from here on what they hold is what is remembered."""
        self._in_step = True
        self._unreadable = None
        self.look(active, state)

    def broker_says(self, active: ActiveConfig, collector: str, hold_id: str | None, why: str) -> bool:
        """The broker's retained status says held. False when that hold has been reset since.

        One without an id is of a version that gave none: it counts.
        """
        if hold_id is not None and hold_id in self._resets:
            return False
        if hold_id is not None and all(hold.id != hold_id for hold in self._holds):
            self._holds += (self._hold(active, collector, why, hold_id),)
            self._changed = True
        return True

    # In step with the rules

    def look(self, active: ActiveConfig, state: State) -> None:
        """After a step: holds that began or ended in it."""
        held = {
            fan.name: seen.phase.why
            for fan, seen in zip(active.shop.collectors, state.collectors, strict=True)
            if isinstance(seen.phase, Held)
        }
        if not self._in_step or not (held or self._holds or self._changed):
            return
        over = [hold for hold in self._holds if hold.collector in active.encoder.off and hold.collector not in held]
        go_on = [replace(hold, why=held.get(hold.collector, hold.why)) for hold in self._holds if hold not in over]
        known = {hold.collector for hold in go_on}
        begun = [self._hold(active, name, why) for name, why in held.items() if name not in known]
        holds = (*go_on, *begun)
        if holds == self._holds and not self._changed:
            return
        self._holds = holds
        self._resets = (*self._resets, *(hold.id for hold in over))[-MOST_RESETS:]
        self._release(hold.collector for hold in over)
        for hold in begun:
            self._withhold(hold.collector)
        self._write()

    def beat(self) -> None:
        """Once a second: what could not be written is tried again, what was heard is written in its time."""
        if self._heard_since > 0:
            self._heard_since -= 1
        due = self._heard_since == 1
        if (self._trouble is not None or due) and self._answered == self._given:
            self._write()

    def close(self) -> None:
        """The last writing, of what was heard; whoever made the memory waits for it."""
        if self._heard_since > 0:
            self._write()

    # Inside

    def _hold(self, active: ActiveConfig, collector: str, why: str, hold_id: str | None = None) -> HoldKept:
        name = hold_id or self._memory.new_id()
        return HoldKept(name, collector, active.encoder.off[collector].topic, why, stamp(self._clock.wall()))

    def _withhold(self, collector: str) -> None:
        until = self._clock.mono() + WITHHELD_FOR
        timer = self._timers.call_at(until, lambda: self._out_of_patience(collector))
        self._withheld[collector] = (self._given + 1, timer)

    def _release(self, collectors: Iterable[str]) -> None:
        for collector in collectors:
            if (found := self._withheld.pop(collector, None)) is not None:
                found[1].cancel()

    def _write(self) -> None:
        self._changed = False
        self._heard_since = 0
        self._given += 1
        number = self._given
        heard, retained = tuple(self._heard), tuple(self._retained)
        what = Remembered(self._holds, self._resets, heard, self._baselines, dict(self._rhythms), retained)
        self._memory.keep(what, lambda trouble: self._kept(number, trouble))

    def _kept(self, number: int, trouble: str | None) -> None:
        self._answered = max(self._answered, number)
        if trouble is not None:
            self._trouble = trouble
            self._alarm(trouble)
            return
        self._release([name for name, (waits_for, _) in self._withheld.items() if waits_for <= number])
        if number == self._given:
            self._trouble = None
            self._engine.clear_alarm(own_alarms.MEMORY)

    def _out_of_patience(self, collector: str) -> None:
        self._withheld.pop(collector, None)
        self._alarm(self._trouble or f"it has taken longer than {WITHHELD_FOR:g} s")

    def _alarm(self, why: str) -> None:
        held = tuple(dict.fromkeys(hold.collector for hold in self._holds))
        self._engine.raise_alarm(own_alarms.memory_trouble(why, held))


def _named(active: ActiveConfig, hold: HoldKept) -> HoldKept:
    """The same hold, under the name and the command topic that its collector has in this config."""
    for name, off in active.encoder.off.items():
        if off.topic == hold.command_topic:
            return replace(hold, collector=name)
    same = active.encoder.off.get(hold.collector)
    return hold if same is None else replace(hold, command_topic=same.topic)
