"""What a status says of the suction at a collector's inlet: for screens, in the sensor's own unit."""

from typing import Final

from gatehand.config.signals import Suction
from gatehand.shell.suction_watch import HOLDS, Watch, Way

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
