"""A blast gate: a slide that takes time, end switches that report, a button, and everything that goes wrong with it.

`position` is where the slide is; what the reports say is another matter.
"""

from dataclasses import dataclass
from enum import StrEnum
from functools import partial
from random import Random
from typing import assert_never

from gatehand.config.tables import GateTable
from gatehand.simshop.device import Agenda, Appointment, Device, Reporter

TRAVEL_SHARE = 0.6
"""Time a healthy gate takes where none is given, as a share of the config's `travel`."""
SHUT, HALF_WAY, OPEN = 0.0, 0.5, 1.0


class GateTrouble(StrEnum):
    """What can be wrong with a gate."""

    JAM = "jam"
    """The slide does not move."""
    STALL = "stall"
    """It stops half-way."""
    LATE = "late"
    """It reports long after it has arrived."""
    TWICE = "twice"
    """Each report comes twice."""
    WRONG = "wrong"
    """It reports the other position."""
    NEVER = "never"
    """It moves and reports nothing."""


@dataclass(frozen=True, slots=True)
class GateHabits:
    """How a gate behaves. `travel` None: a little less than the config allows."""

    travel: float | None = None
    delay: float = 0.02
    """Seconds from a command to the first movement."""
    answers: bool = True
    """Told to go where it is, it reports again; False: it speaks only on change."""
    says_between: bool = False
    """It reports when it leaves an end, with a word that is neither."""
    retains: bool = True
    """The broker keeps its last report."""
    late_by: float = 5.0
    """Seconds, for `GateTrouble.LATE`."""


class GateModel(Device):
    """One gate."""

    def __init__(self, gate: GateTable, habits: GateHabits, agenda: Agenda, reporter: Reporter, random: Random) -> None:
        super().__init__(agenda, reporter, random, delay=habits.delay, online=gate.online)
        self._gate = gate
        self._habits = habits
        self.travel = gate.travel * TRAVEL_SHARE if habits.travel is None else habits.travel

        self.reports["state"] = self._report_by_trouble
        if gate.command is not None:
            self._commands[gate.command.open.encode()] = partial(self._obey, OPEN)
            self._commands[gate.command.shut.encode()] = partial(self._obey, SHUT)
        self._trouble: GateTrouble | None = None
        self._from = self._to = SHUT
        self._since = agenda.now
        self._arrival = Appointment()

    def position(self, at: float) -> float:
        """Where the slide is: 0 shut, 1 open."""
        way = self._to - self._from
        if way == 0 or self.travel <= 0:
            return self._to
        share = (at - self._since) / (self.travel * abs(way))
        return self._to if share >= 1 else self._from + way * share

    def move_by_hand(self, *, to_open: bool, at: float) -> None:
        """Somebody moves the slide; the end switches report as ever."""
        self._move(OPEN if to_open else SHUT, at)

    def press(self, at: float) -> None:
        """Somebody presses its button."""
        if self._gate.button is not None:
            self._reporter.press(self._gate.button, at)

    def say(self, *, opened: bool, at: float) -> None:
        """A report out of the blue, whatever the slide does."""
        if self._gate.state is not None:
            word = self._gate.state.open if opened else self._gate.state.shut
            self._reporter.word(self._gate.state, word, at, retain=self._habits.retains)

    def suffer(self, trouble: GateTrouble | None, at: float) -> None:
        """Break it, or mend it (None). A jam stops the slide where it is; mended, it waits for the next command."""
        self._trouble = trouble
        if trouble is GateTrouble.JAM:
            self._from = self._to = self.position(at)
            self._arrival.call_off()

    def _obey(self, target: float, at: float) -> None:
        if self._trouble is GateTrouble.JAM:
            return
        if target == self._to == self.position(at):
            if self._habits.answers:
                self._arrived(at)
            return
        self._move(HALF_WAY if self._trouble is GateTrouble.STALL else target, at)

    def _move(self, target: float, at: float) -> None:
        if target == self._to and self._arrival.action is not None:
            return  # on its way there
        here = self.position(at)
        self._arrival.call_off()
        self._from, self._to, self._since = here, target, at
        if self._habits.says_between and here in {SHUT, OPEN}:
            self._between(at)
        self._arrival = self._agenda.at(at + self.travel * abs(target - here), self._arrived)

    def _arrived(self, at: float) -> None:
        self._from = self._to
        self._report_by_trouble(at)

    def _report_by_trouble(self, at: float) -> None:
        """Report, as far as its trouble lets it."""
        match self._trouble:
            case None | GateTrouble.JAM | GateTrouble.STALL:
                self._report(at)
            case GateTrouble.LATE:
                self._agenda.at(at + self._habits.late_by, self._report)
            case GateTrouble.TWICE:
                self._report(at)
                self._report(at)
            case GateTrouble.WRONG:
                if self.position(at) in {SHUT, OPEN}:
                    self.say(opened=self.position(at) == SHUT, at=at)
            case GateTrouble.NEVER:
                pass
            case _:
                assert_never(self._trouble)

    def _report(self, at: float) -> None:
        """What the end switches see."""
        here = self.position(at)
        if here in {SHUT, OPEN}:
            self.say(opened=here == OPEN, at=at)
        elif self._habits.says_between:
            self._between(at)

    def _between(self, at: float) -> None:
        state = self._gate.state
        if state is not None:
            word = next(each for each in ("moving", "between", "neither") if each not in {state.open, state.shut})
            self._reporter.word(state, word, at, retain=self._habits.retains)
