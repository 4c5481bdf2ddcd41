"""Forty shop-days in which everything breaks: no invariant does, and the shop recovers every time.

`python -m tests.long days` plays two hundred.
"""

import os
import time
from collections.abc import Callable

import pytest
from sim_play import play
from sim_run import Total, played, seeds
from sim_script import EVERY_FAULT
from sim_shrink import shrink, story

DAYS = int(os.environ.get("GATEHAND_SIM_DAYS", "40"))
SEED = os.environ.get("GATEHAND_SIM_SEED", "ci")


@pytest.mark.slow
def test_shop_days_full_of_faults_break_no_invariant_and_end_well(tell: Callable[[str], None]) -> None:
    began, total = time.monotonic(), Total()
    for day in played(seeds(SEED, DAYS)):
        total.add(day)
    tell(f"{total}\n{time.monotonic() - began:.0f} s of the machine's own time, seed {SEED}")
    if total.broken:
        seed = total.broken[0].seed
        number = seed.rsplit(".", 1)[1]
        kept, found = shrink(seed)
        pytest.fail(story(seed, kept, found, f"python -m tests.sim --seed {SEED} --only {number}"))
    assert total.unexplained == []
    if total.days >= 40:
        assert [kind for kind in EVERY_FAULT if not total.happened[kind]] == [], "a fault that was never injected"


def test_the_same_seed_gives_the_same_day() -> None:
    first, second = play("same.1"), play("same.1")
    assert first.told
    assert first.told == second.told
    assert first.history == second.history
