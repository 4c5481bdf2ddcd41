"""A tool and its sensor: idle, inrush, running, noise; one that reports by the clock, or on change only.

The motor is what is; the sensor is what is said. Faults sit in the sensor: silent, stuck, a spike, nonsense.
"""

import math
from dataclasses import dataclass
from random import Random

from gatehand.config.tables import ToolTable
from gatehand.simshop.device import Agenda, Device, Reporter
from gatehand_rules.shop import CLOSED
from gatehand_rules.words import Measure

RUNNING_SHARE = 2.2
"""What its sensor reads of a running tool where nothing is given, as a share of the start threshold."""
IDLE_SHARE = 0.03
"""The same of an idle one, as a share of the stop threshold."""
MOST_EVERY = 1.0
"""Longest interval of reports where none is given, seconds."""
STILL_HEARD = 4.0
"""So many reports fit into `silent_after` where no interval is given."""


@dataclass(frozen=True, slots=True)
class Inrush:
    """A motor's start: this many times its running load, for a fraction of a second (common practice: 5 to 9)."""

    least: float = 5.0
    most: float = 9.0
    shortest: float = 0.15
    longest: float = 0.4


@dataclass(frozen=True, slots=True)
class ToolHabits:
    """How a tool and its sensor behave. None: taken from the config's thresholds. A contact knows no load, no noise."""

    running: float | None = None
    """What its sensor reads while it runs, in the sensor's unit."""
    idle: float | None = None
    noise: float = 0.02
    """Standard deviation of a reading, as a share of it."""
    inrush: Inrush | None = Inrush()
    """None: a soft start, as drives with electronics have it."""
    every: float | None = None
    """Seconds between reports; 0: only on change."""
    on_change: bool = True
    """It also reports at once when the reading changes much."""
    delay: float = 0.03
    """Seconds from a change to its report."""
    retains: bool = True
    """The broker keeps a contact's last word, as most contacts ask for."""


class ToolModel(Device):
    """One tool."""

    def __init__(self, tool: ToolTable, habits: ToolHabits, agenda: Agenda, reporter: Reporter, random: Random) -> None:
        super().__init__(agenda, reporter, random, delay=habits.delay, online=tool.online)
        self._tool = tool
        self._habits = habits
        self.measure = tool.measure
        """What its sensor measures."""
        self._is_contact = tool.measure is Measure.RUNNING
        self.running = tool.start_at * RUNNING_SHARE if habits.running is None else habits.running
        self.idle = tool.stop_at * IDLE_SHARE if habits.idle is None else habits.idle
        # A healthy sensor speaks often enough for `silent_after`; where that is 0 it speaks on change only.
        usual = min(MOST_EVERY, tool.silent_after / STILL_HEARD)
        self.every = usual if habits.every is None else habits.every

        self.reports[tool.sensor_key or ""] = self._report
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

    def switch(self, *, on: bool, at: float, load: float | None = None) -> None:
        """Start or stop the motor. `load`: what its sensor reads once it runs; a light cut draws less."""
        changed = on != self.on
        self.on = on
        self._load = self.running if load is None else load
        if changed:
            self._since = at
            inrush = self._habits.inrush if on and not self._is_contact else None
            self._factor = self._random.uniform(inrush.least, inrush.most) if inrush else 1.0
            self._surge = self._random.uniform(inrush.shortest, inrush.longest) if inrush else 0.0
        self._changed(at)
        if changed and self._surge > 0:
            self._changed(at + self._surge)

    def reads(self, at: float) -> float:
        """What the sensor would read at `at` without its noise."""
        if self._is_contact:
            return CLOSED if self.on else 0.0
        if not self.on:
            return self.idle
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

    def spike(self, at: float, value: float) -> None:
        """One reading of so much."""
        self._spike = value
        self._report(at)

    def babble(self, at: float, payload: bytes) -> None:
        """One payload that is no reading."""
        if not self._silent:
            self._reporter.raw(self._tool.sensor.topic, payload, at)

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
            self._reporter.reading(self._tool.sensor, self._reading(at), at, retain=self._habits.retains)

    def _reading(self, at: float) -> float:
        if self._spike is not None:
            value, self._spike = self._spike, None
            return value
        if self._stuck_at is not None:
            return self._stuck_at
        value = self.reads(at)
        if self._is_contact:
            return value
        return max(0.0, round(self._random.gauss(value, value * self._habits.noise), 3))
