"""A suction sensor, and what a status says of it: for screens, in the sensor's own unit."""

from collections.abc import Mapping
from typing import Final

from msgspec import Struct, field

from gatehand.config.signals import Suction
from gatehand.shell.suction_watch import HOLDS, Gates, Watch, Way

VISIBLE: Final = 0.02
"""Of the suction: by so much it must have moved to be shown anew."""


def status(table: Suction, watch: Watch, now: float, *, why_not: str | None, void: int) -> dict[str, object]:
    """The value moves with each reading, so it is shown as the level of some seconds.

    `why_not`: why there is nothing to compare with; None: there is, or nobody has asked. `void`: how many baselines no
    longer count.
    """
    level = watch.level(now, seconds=HOLDS, least=HOLDS / 2)
    expected = watch.expected
    found: dict[str, object] = {
        "value": None if level is None else table.in_unit(level.value),
        "unit": table.unit,
        "gates": None if watch.gates is None else list(watch.gates),
    }
    if expected is not None:
        found |= {"low": table.in_unit(expected.low), "high": table.in_unit(expected.high)}
        found |= {"expected_by": str(expected.by), "baseline_of": expected.since}
    if watch.gates is not None and why_not is not None:
        found["not_judged"] = why_not
    if watch.alarm is not None:
        found["off"] = "high" if watch.alarm is Way.HIGH else "low"
    if void:
        found["void_baselines"] = void
    return found


def looks_the_same(value: object, before: object) -> bool:
    """Whether a screen that shows the one need not be told of the other."""
    if not isinstance(value, int | float) or not isinstance(before, int | float):
        return False
    return abs(value - before) < VISIBLE * abs(before)


class Sensor(Struct):
    """One collector's sensor and what is made of it."""

    name: str
    """Of the collector."""
    table: Suction
    place: str
    """Where its value is said."""
    watch: Watch
    void: int = 0
    """Baselines of this collector that no longer count."""
    why_not: str | None = None
    """Why there is nothing to compare with; None: there is, or nobody has asked."""
    told: set[tuple[Gates, str]] = field(default_factory=set)
    """For which gates the log has been told why not."""
    shown: Mapping[str, object] = {}
    runs_since: float | None = None
    silent: bool = False
    """The alarm about its silence is raised."""

    def shows_anew(self, now: float) -> bool:
        """Take in what a status says of it now; whether that is something else."""
        shown = status(self.table, self.watch, now, why_not=self.why_not, void=self.void)
        if looks_the_same(shown.get("value"), self.shown.get("value")):
            shown["value"] = self.shown["value"]
        before, self.shown = self.shown, shown
        return shown != before
