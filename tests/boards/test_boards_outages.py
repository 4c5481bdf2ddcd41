"""Boards through outages of their broker, their Wi-Fi, their power: off in time, back in time, and nothing old acts."""

import os
import random
from pathlib import Path
from typing import Final

import pytest
from outages import KINDS, MORE, play
from planted import FAULTS

pytestmark = pytest.mark.broker
COUNT: Final = int(os.environ.get("GATEHAND_OUTAGES", "10"))
SEED: Final = int(os.environ.get("GATEHAND_OUTAGES_SEED", "1"))
LIMIT_MS: Final = 2000


def test_outages_switch_off_in_time_are_over_in_time_and_leave_nothing_old(tmp_path: Path) -> None:
    kinds = [KINDS[turn % len(KINDS)] for turn in range(COUNT)] + [MORE[turn % len(MORE)] for turn in range(COUNT // 3)]
    random.Random(SEED).shuffle(kinds)
    run = play(tmp_path, kinds, SEED, LIMIT_MS)
    print(
        f"\n{len(kinds)} outages, {run.shop.now / 60_000:.0f} min of their time: off {max(run.off_ms)} ms at most "
        f"after the limit, back within {max(run.back_ms)} ms, {run.wills} wills, {run.held_readings} readings that the "
        "frozen broker held"
    )
    assert not run.breaches, "\n".join(run.breaches)


@pytest.mark.parametrize(
    ("fault", "kind", "seed", "breach"),
    [
        ("a switch that ignores its limit", "kill", 2, "the relay is not off"),
        ("a switch whose retained word counts", "wifi", 1, "with nobody asking"),
        ("a gate that is open at once", "kill", 2, "was told to move at"),
        ("a gate whose pulses never end", "kill", 2, "pulses from"),
        ("a sensor that sends what it had", "kill", 2, "a reading of"),
        ("a contact that is inverted", "kill", 2, "the stop contact's level is"),
    ],
)
def test_planted_fault_is_noticed_in_one_outage(fault: str, kind: str, seed: int, breach: str, tmp_path: Path) -> None:
    run = play(tmp_path, [kind], seed, LIMIT_MS, programs=FAULTS[fault].program())
    assert any(breach in each for each in run.breaches), run.breaches
