"""A first config made by an owner of a drawn shop does on the next day what the true one does."""

import os
from collections.abc import Callable
from typing import Final

import pytest
from evenings import LEAST_RIGHT, evening, evening_over_broker, many

from gatehand.first_config.questions import QUESTIONS

SHOPS: Final = int(os.environ.get("GATEHAND_FIRST_CONFIGS", "20"))
OVER_BROKER: Final = int(os.environ.get("GATEHAND_FIRST_CONFIGS_OVER_BROKER", "2"))
SEED: Final = int(os.environ.get("GATEHAND_FIRST_CONFIGS_SEED", "1"))
MINUTES: Final = float(os.environ.get("GATEHAND_FIRST_CONFIGS_MINUTES", "4"))

SELDOM: Final = {"broker.port", "broker.password_file", "tool.NAME.collector", "tool.NAME.silent_after"}
"""Questions that these owners have no cause to be asked."""


def test_drawn_shops_get_a_config_that_passes_and_does_what_the_true_one_does(tell: Callable[[str], None]) -> None:
    figures = many(range(SEED, SEED + SHOPS), (), MINUTES, print)
    tell(figures.text)
    assert figures.passed == SHOPS, figures.faults
    assert figures.share >= LEAST_RIGHT, figures.faults
    wrong = {fault.split(":")[0] for fault in figures.faults if "the day parts" not in fault}
    parted = {fault.split(":")[0] for fault in figures.faults if "the day parts" in fault}
    assert parted <= wrong, f"a day parts though every role is right: {figures.faults}"
    assert figures.days >= LEAST_RIGHT * SHOPS, figures.faults
    assert figures.asked <= set(QUESTIONS)
    assert set(QUESTIONS) - figures.asked <= SELDOM, "the list of questions is what is asked"


@pytest.mark.broker
@pytest.mark.parametrize("seed", range(SEED, SEED + OVER_BROKER))
def test_over_a_real_broker_it_is_the_same_config(seed: int) -> None:
    real = evening_over_broker(seed, 0.0)
    assert real.loaded.config is not None
    assert evening(seed, 0.0, real.loaded.config.broker.port).text == real.text
    assert not real.faults
