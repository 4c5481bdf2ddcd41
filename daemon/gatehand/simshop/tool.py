"""A tool and its current sensor: idle, inrush, running, noise; a sensor that reports by the clock or on change only.

The motor is what is; the sensor is what is said. Faults sit in the sensor: silent, stuck, a spike, nonsense.
"""

import math
from dataclasses import dataclass
from random import Random

from gatehand.config.tables import ToolTable
from gatehand.simshop.device import Agenda, Device, Reporter

RUNNING_SHARE = 2.2
"""Running current where none is given, as a share of the start threshold."""
IDLE_SHARE = 0.03
"""Standby current where none is given, as a share of the stop threshold."""
MOST_EVERY = 1.0
"""Longest interval of reports where none is given, seconds."""
STILL_HEARD = 4.0
"""So many reports fit into `silent_after` where no interval is given."""


@dataclass(frozen=True, slots=True)
class Inrush:
    """A motor's start: this many times its running current, for a fraction of a second (common practice: 5 to 9)."""

    least: float = 5.0
    most: float = 9.0
    shortest: float = 0.15
    longest: float = 0.4


@dataclass(frozen=True, slots=True)
class ToolHabits:
    """How a tool and its sensor behave. None: taken from the config's thresholds."""

    running_amps: float | None = None
    idle_amps: float | None = None
    noise: float = 0.02
    """Standard deviation of a reading, as a share of it."""
    inrush: Inrush | None = Inrush()
    """None: a soft start, as drives with electronics have it."""
    every: float | None = None
    """Seconds between reports; 0: only on change."""
    on_change: bool = True
    """It also reports at once when the current changes much."""
    delay: float = 0.03
    """Seconds from a change to its report."""


class ToolModel(Device):
    """One tool."""

    def __init__(self, tool: ToolTable, habits: ToolHabits, agenda: Agenda, reporter: Reporter, random: Random) -> None:
        super().__init__(agenda, reporter, random, delay=habits.delay, online=tool.online)
        self._tool = tool
        self._habits = habits
        running, idle = habits.running_amps, habits.idle_amps
        self.running_amps = tool.start_amps * RUNNING_SHARE if running is None else running
        self.idle_amps = tool.stop_amps * IDLE_SHARE if idle is None else idle
        # A healthy sensor speaks often enough for `silent_after`; where that is 0 it speaks on change only.
        usual = min(MOST_EVERY, tool.silent_after / STILL_HEARD)
        self.every = usual if habits.every is None else habits.every

        self.reports["current"] = self._report
        self.on = False
        self._load = 0.0
        self._since = -math.inf
        self._factor = 1.0
        self._surge = 0.0
        self._silent = False
        self._stuck_at: float | None = None
        self._spike: float | None = None

    def begin(self, at: float) -> None:
        """Come up: say so, report, and go on reporting by the clock."""
        super().begin(at)
        self._go_on_reporting(self._report, self.every, at)

    def switch(self, *, on: bool, at: float, amps: float | None = None) -> None:
        """Start or stop the motor. `amps`: what it draws once it runs; a light cut draws less."""
        changed = on != self.on
        self.on = on
        self._load = self.running_amps if amps is None else amps
        if changed:
            self._since = at
            inrush = self._habits.inrush if on else None
            self._factor = self._random.uniform(inrush.least, inrush.most) if inrush else 1.0
            self._surge = self._random.uniform(inrush.shortest, inrush.longest) if inrush else 0.0
        self._changed(at)
        if changed and self._surge > 0:
            self._changed(at + self._surge)

    def amps(self, at: float) -> float:
        """What the motor draws at `at`, ampere, without the sensor's noise."""
        if not self.on:
            return self.idle_amps
        passed = at - self._since
        if passed >= self._surge:
            return self._load
        # It falls steeply at first, as the rotor comes up to speed.
        return self._load * (1.0 + (self._factor - 1.0) * (1.0 - passed / self._surge) ** 2)

    # Faults of the sensor

    def silence(self, *, on: bool) -> None:
        """The sensor says nothing (or speaks again)."""
        self._silent = on

    def stick(self, at: float, *, on: bool) -> None:
        """The sensor repeats what it read at `at`, whatever the motor does (or reads again)."""
        self._stuck_at = self._reading(at) if on else None

    def spike(self, at: float, amps: float) -> None:
        """One reading of this many ampere."""
        self._spike = amps
        self._report(at)

    def babble(self, at: float, payload: bytes) -> None:
        """One payload that is no reading."""
        if not self._silent:
            self._reporter.raw(self._tool.current.topic, payload, at)

    def drop(self, at: float) -> None:
        """The sensor loses its power: its will is published and nothing more is said."""
        self._silent = True
        if self.online is not None:
            self.online.set(active=False, at=at)

    def come_back(self, at: float) -> None:
        """Power is back: it says so, and reports."""
        self._silent = False
        if self.online is not None:
            self.online.set(active=True, at=at)
        self._report(at)

    def _changed(self, at: float) -> None:
        if self._habits.on_change or self.every <= 0:
            self._agenda.at(at + self._delay, self._report)

    def _report(self, at: float) -> None:
        if not self._silent:
            self._reporter.amps(self._tool.current, self._reading(at), at)

    def _reading(self, at: float) -> float:
        if self._spike is not None:
            amps, self._spike = self._spike, None
            return amps
        if self._stuck_at is not None:
            return self._stuck_at
        amps = self.amps(at)
        return max(0.0, round(self._random.gauss(amps, amps * self._habits.noise), 3))
