"""A collector: a switch with its own time limit, a motor with spin-up and coast-down, and what goes wrong with them.

`turns` and `speed` are what the fan does; the switch's report and the motor's sensor are what is said of it.
"""

import math
from dataclasses import dataclass
from functools import partial
from random import Random
from typing import TYPE_CHECKING

from gatehand.config.tables import CollectorTable
from gatehand.simshop.device import Agenda, Appointment, Device, Reporter
from gatehand_rules.shop import CLOSED
from gatehand_rules.words import Measure

if TYPE_CHECKING:
    from gatehand.simshop.airway import Airway

RUNNING_SHARE = 3.0
"""What the motor's sensor reads where nothing is given, as a share of the config's threshold."""
INRUSH = 6.0
LIMIT_SHARE = 3.0
"""Time limit of the switch where none is given, in refreshes."""
COAST_SHARE = 0.7
"""Coast-down where none is given, as a share of the config's: a config should err on the long side."""
NOISE = 0.02


@dataclass(frozen=True, slots=True)
class CollectorHabits:
    """How a collector behaves. None: taken from the config."""

    limit: float | None = None
    """Seconds after which its switch opens by itself unless "on" is repeated; 0: never."""
    coast_down: float | None = None
    running: float | None = None
    """What the motor's sensor reads while it runs, in the sensor's unit."""
    delay: float = 0.03
    """Seconds from a command to the contact, and from a change to its report."""
    every: float = 1.0
    """Seconds between reports of the motor's sensor; 0: on change only."""
    suction_every: float = 1.0
    """Seconds between readings of the pressure sensor at its inlet."""
    answers: bool = True
    """Told what it does already, the switch reports again; False: it speaks only on change."""
    reports_contact: bool = True
    """The report follows the motor's voltage; False: the relay's coil, which knows nothing of a welded contact."""
    retains: bool = True
    """The broker keeps its last report."""


class CollectorModel(Device):
    """One collector."""

    def __init__(
        self, collector: CollectorTable, habits: CollectorHabits, agenda: Agenda, reporter: Reporter, random: Random
    ) -> None:
        super().__init__(agenda, reporter, random, delay=habits.delay, online=collector.online)
        self._collector = collector
        self._habits = habits
        self.limit = collector.refresh * LIMIT_SHARE if habits.limit is None else habits.limit
        self.coast_down = collector.coast_down * COAST_SHARE if habits.coast_down is None else habits.coast_down
        self._is_contact = collector.measure is Measure.RUNNING
        self.running = collector.turns_at * RUNNING_SHARE if habits.running is None else habits.running

        self.bin = self._contact("bin_full", collector.bin_full)
        self.reports["state"] = self._report
        self.reports[collector.sensor_key or "current"] = self._report_motor
        self.airway: Airway | None = None
        """What its fan draws through, where a sensor at its inlet says so."""
        if collector.suction is not None and collector.suction.poll is not None:
            self.reports["suction"] = self._report_suction
        self._commands[collector.command.on.encode()] = partial(self._obey, True)
        self._commands[collector.command.off.encode()] = partial(self._obey, False)
        self.deaf = False
        """Fault: it ignores commands."""
        self.relay_on = False
        self.welded = False
        self.by_hand = False
        self.tripped = False
        self._turned = False
        self._changed_at = -math.inf
        self._opens = Appointment()

    @property
    def powered(self) -> bool:
        """The motor has voltage: by the relay, by a welded contact, or by the hand switch."""
        return self.relay_on or self.welded or self.by_hand

    @property
    def turns(self) -> bool:
        """The motor drives the fan."""
        return self.powered and not self.tripped

    def begin(self, at: float) -> None:
        """Come up: say so, what the switch does, what the motor draws."""
        super().begin(at)
        if self._collector.motor_sensor is not None:
            self._go_on_reporting(self._report_motor, self._habits.every, at)
        if self._collector.suction is not None:
            self._go_on_with_suction(at)

    def speed(self, at: float) -> float:
        """The fan's speed as a share of its full one; it falls as 1 / (1 + t/tau) until friction stops it."""
        passed = max(0.0, at - self._changed_at)
        if self.turns:
            return 1.0 - math.exp(-3.0 * passed / self._collector.spin_up) if self._collector.spin_up > 0 else 1.0
        if passed >= self.coast_down:
            return 0.0
        return 1.0 / (1.0 + 4.0 * passed / self.coast_down)

    def reads(self, at: float) -> float:
        """What the motor's sensor would read: inrush while it comes up to speed, nothing while it coasts."""
        if not self.turns:
            return 0.0
        if self._is_contact:
            return CLOSED
        passed, spin_up = at - self._changed_at, self._collector.spin_up
        if passed >= spin_up:
            return self.running
        return self.running * (1.0 + (INRUSH - 1.0) * (1.0 - passed / spin_up) ** 2)

    # What people and wear do to it

    def switch_by_hand(self, *, on: bool, at: float) -> None:
        """Its own switch, beside the relay."""
        self.by_hand = on
        self._look(at)

    def weld(self, at: float, *, on: bool = True) -> None:
        """The relay's contact welds (if it is closed), or is replaced."""
        self.welded = on and self.relay_on
        self._look(at)

    def trip(self, at: float, *, on: bool = True) -> None:
        """The motor's overload trips: voltage, and no current. Or it is reset."""
        self.tripped = on
        self._look(at)

    def _obey(self, on: bool, at: float) -> None:
        if self.deaf:
            return
        self._opens.call_off()
        if on and self.limit > 0:
            self._opens = self._agenda.at(at + self.limit, partial(self._switch, False))
        self._switch(on, at)

    def _switch(self, on: bool, at: float) -> None:
        same = self.relay_on == on
        self.relay_on = on
        self._look(at)
        # A report of the contact follows the motor, in `_look`.
        if self._habits.answers if same else not self._habits.reports_contact:
            self._report(at)

    def _look(self, at: float) -> None:
        """Follow the motor after a change."""
        if self.turns != self._turned:
            self._turned = self.turns
            self._changed_at = at
            self._agenda.at(at + self._delay, self._report_motor)
            if self.turns:
                self._agenda.at(at + self._collector.spin_up, self._report_motor)
            if self._habits.reports_contact:
                self._agenda.at(at + self._delay, self._report)

    def _report(self, at: float) -> None:
        state = self._collector.state
        if state is not None:
            on = self.powered if self._habits.reports_contact else self.relay_on
            self._reporter.word(state, state.on if on else state.off, at, retain=self._habits.retains)

    def _report_motor(self, at: float) -> None:
        if (sensor := self._collector.motor_sensor) is not None:
            value = self.reads(at)
            if not self._is_contact:
                value = max(0.0, round(self._random.gauss(value, value * NOISE), 3))
            self._reporter.reading(sensor, value, at, retain=self._habits.retains)

    def _report_suction(self, at: float) -> None:
        if (sensor := self._collector.suction) is not None and self.airway is not None:
            self._reporter.suction(sensor, self.airway.reads(at, self.speed(at)), at)

    def _go_on_with_suction(self, at: float) -> None:
        """By the clock; its first time draws no chance, so that a sensor more changes nothing for the others."""
        self._report_suction(at)
        if self._habits.suction_every > 0:
            self._agenda.at(at + self._habits.suction_every, self._go_on_with_suction)
