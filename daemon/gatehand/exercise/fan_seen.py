"""What a fan that we have switched on ourselves shows of itself: its switch's reports, its motor's sensor.

Only what came live since its on. Judges nothing but on and off; commands nothing.
"""

from collections.abc import Sequence

from gatehand.config.tables import CollectorTable
from gatehand.exercise.limit_result import SeenBy
from gatehand_rules import events as ev


class FanSeen:
    """One fan, from its on. Times are monotonic seconds."""

    def __init__(self, name: str, table: CollectorTable) -> None:
        self._name = name
        self._table = table
        self.showed: set[SeenBy] = set()
        """What has shown it on."""
        self._shows: dict[SeenBy, bool] = {}
        """What each says now."""
        self._since: dict[SeenBy, float] = {}
        """Since when it says so."""
        self.last_drew = 0.0
        """When its motor was last seen to draw."""

    @property
    def is_watched(self) -> bool:
        """Whether anything could show it."""
        return self._table.state is not None or self._table.motor_sensor is not None

    def hear(self, events: Sequence[ev.Event], at: float) -> None:
        """What devices said at `at`."""
        for event in events:
            match event:
                case ev.CollectorReport(collector=self._name, on=on, retained=False):
                    self._note(SeenBy.STATE, at, on=on)
                case ev.CollectorReading(collector=self._name, value=value, retained=False):
                    draws = value >= self._table.turns_at
                    self.last_drew = at if draws else self.last_drew
                    self._note(SeenBy.MOTOR, at, on=draws)
                case _:
                    pass

    def _note(self, by: SeenBy, at: float, *, on: bool) -> None:
        if self._shows.get(by) is not on:
            self._since[by] = at
        self._shows[by] = on
        if on:
            self.showed.add(by)

    def off_since(self) -> tuple[float, SeenBy] | None:
        """Since when all that had shown it on shows it off, and which of it tells that best; None: it does not."""
        if not self.showed or any(self._shows[by] for by in self.showed):
            return None
        by = SeenBy.STATE if SeenBy.STATE in self.showed else SeenBy.MOTOR
        return self._since[by], by

    @property
    def is_off(self) -> bool:
        """All that says anything says off."""
        return bool(self._shows) and not any(self._shows.values())

    def switch_off_since(self) -> float | None:
        """Since when its switch reports off; None: it does not."""
        return self._since[SeenBy.STATE] if self._shows.get(SeenBy.STATE) is False else None

    def odd(self, began: float) -> str:
        """What its switch and its motor say where they differ; empty: they do not. `began`: when it was switched on."""
        switch, motor = self._shows.get(SeenBy.STATE), self._shows.get(SeenBy.MOTOR)
        if switch is False and motor:
            after = self._since[SeenBy.STATE] - began
            return f"Its switch reported off after {after:.1f} s, but the motor draws on: a contact may be welded."
        if switch and motor is False and SeenBy.MOTOR in self.showed:
            after = self._since[SeenBy.MOTOR] - began
            return f"Its motor stopped after {after:.1f} s, but its switch reports on: look at the motor's overload."
        return ""
