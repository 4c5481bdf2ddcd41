"""What the statuses of simulated days foretell comes true within a second when nothing else happens.

A few hours in every run; `python -m tests.long forecasts` looks at every forecast of two hundred whole days.
"""

import os
import time
from collections.abc import Callable
from multiprocessing import get_context

import pytest
from sim_forecasts import Judged, judge_days
from sim_script import DAY, OPENS

DAYS = int(os.environ.get("GATEHAND_FORECAST_DAYS", "0"))
SEED = os.environ.get("GATEHAND_SIM_SEED", "ci")
MORNING = OPENS + 1.5 * 3600
"""Seconds of a day, where no whole days are asked for."""
SHARE = 0.7
"""Of its moments."""
MORNINGS = ("1", "2", "8", "11")
"""Days that have a budget that runs low, run-ons of several tools, two collectors, hand starts."""


def whole_days() -> Judged:
    """All of so many days, on all processors."""
    total = Judged()
    with get_context("forkserver").Pool(os.cpu_count()) as pool:
        for each in pool.imap_unordered(_whole_day, [f"{SEED}.{number}" for number in range(DAYS)]):
            total.add(each)
    return total


def _whole_day(seed: str) -> Judged:
    return judge_days([seed], 1.0, DAY)


def mornings() -> Judged:
    """The first hours of some days."""
    return judge_days([f"ci.{number}" for number in MORNINGS], SHARE, MORNING)


@pytest.mark.slow
def test_what_the_statuses_foretell_comes_true_when_nothing_else_happens(tell: Callable[[str], None]) -> None:
    began = time.monotonic()
    judged = whole_days() if DAYS else mornings()
    tell(f"{judged}\n{time.monotonic() - began:.0f} s of the machine's own time")
    assert judged.wrong == []
    for kind in ("until", "no until", "run_on_until", "run_on_ends", "hand_ends", "coast_down_until"):
        assert judged.told[kind] > 0, f"never looked at: {kind}"
