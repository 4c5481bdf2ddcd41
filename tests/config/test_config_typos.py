"""Slips of one letter: each is one mistake, on its line, and `check --fix` puts nearly all of them right.

A sample here; `python -m tests.long typos` takes 500 and more.
"""

import os
from pathlib import Path

from typos import Typo, rich_config, typos

from gatehand.config import load_text
from gatehand.config.fixes import corrected

COUNT = int(os.environ.get("GATEHAND_TYPOS", "80"))
SEED = int(os.environ.get("GATEHAND_TYPOS_SEED", "1"))
FILE = Path("config.toml")
LEAST_CORRECTED = 0.9


def test_the_config_without_a_slip_passes_without_a_word() -> None:
    assert load_text(rich_config(), FILE, files=False).problems == ()


def test_a_slip_is_one_mistake_on_its_line_and_is_corrected_byte_for_byte() -> None:
    right, made = rich_config(), [*typos(COUNT, SEED)]
    elsewhere: list[Typo] = []
    left: list[Typo] = []
    wrongly: list[Typo] = []
    for typo in made:
        loaded = load_text(typo.text, FILE, files=False)
        if [each.line for each in loaded.errors] != [typo.line]:
            elsewhere.append(typo)
        after = corrected(loaded, files=False)
        if after.loaded.text == typo.text:
            left.append(typo)
        elif after.loaded.text != right:
            wrongly.append(typo)
    done = COUNT - len(left) - len(wrongly)
    print(
        f"\n{COUNT} slips, seed {SEED}: {COUNT - len(elsewhere)} told as one error on its line, "
        f"{done} corrected byte for byte, {len(left)} left, {len(wrongly)} corrected to something else"
    )
    shown = [f"{typo.what}, line {typo.line}: {typo.right} -> {typo.wrong}" for typo in (*elsewhere, *wrongly)]
    assert not shown, shown
    assert done >= LEAST_CORRECTED * COUNT
    assert {typo.what for typo in made} >= {"key", "kind of table", "name of table", "name used"}
