"""A hold outlives daemon and broker killed together; `python -m tests.long double_kills` plays more of them."""

import os
from collections.abc import Callable
from pathlib import Path

import pytest
from double_kills import double_kills, sample

pytestmark = [pytest.mark.broker, pytest.mark.slow]

SEED = int(os.environ.get("GATEHAND_DOUBLE_KILLS_SEED", "1"))
IN_EVERY_RUN = 5


def test_no_cut_starts_a_held_collector_after_both_were_killed(tmp_path: Path, tell: Callable[[str], None]) -> None:
    assert double_kills(tmp_path, sample(IN_EVERY_RUN, SEED), SEED, tell) == 0
