"""A hold outlives daemon and broker killed together; `python -m tests.long double_kills` plays more of them."""

import os
from collections.abc import Callable
from pathlib import Path
from random import Random

import pytest
from double_kills import double_kill, double_kills, sample

pytestmark = [pytest.mark.broker, pytest.mark.slow]

SEED = int(os.environ.get("GATEHAND_DOUBLE_KILLS_SEED", "1"))
IN_EVERY_RUN = 4


def test_no_cut_starts_a_held_collector_after_both_were_killed(tmp_path: Path, tell: Callable[[str], None]) -> None:
    assert double_kills(tmp_path, sample(IN_EVERY_RUN, SEED), SEED, tell) == 0


def test_the_same_cut_starts_the_collector_where_nothing_remembers_the_hold(tmp_path: Path) -> None:
    """So that the story above can fail."""
    assert double_kill(tmp_path / "forgotten", 0, Random(SEED), forgets=True)[1] == 1
