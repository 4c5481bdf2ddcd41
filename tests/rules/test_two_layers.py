"""Two layers, so that one mistake is not enough: each holds the invariants while the other is broken on purpose."""

from collections.abc import Callable

import pytest
from mutants import MUTANTS, Mutant, no_interlock
from small_shops import QUANTUM, at_rest, in_quanta, moves, two_tools
from walk import anything, no_veto, walk

from gatehand_rules import Outcome

FAR = 1500
"""Situations walked with the interlock in place, and never fewer than twice what it took to find the mistake."""


@pytest.mark.slow
def test_the_sequence_needs_no_interlock(monkeypatch: pytest.MonkeyPatch, tell: Callable[[str], None]) -> None:
    no_interlock(monkeypatch)
    shop, times = in_quanta(two_tools(), contrary=2 * QUANTUM, alone=2 * QUANTUM)
    found = walk(shop, moves(shop), times, begin=at_rest(shop), most=6000)
    assert not found.breaches, "\n".join([*found.breaches, *found.path])
    tell(f"no interlock: {found}, no breach")


@pytest.mark.parametrize("mutant", MUTANTS, ids=lambda mutant: f"{mutant.name}-{mutant.breaks}")
def test_the_interlock_holds_a_sequence_that_errs(mutant: Mutant, monkeypatch: pytest.MonkeyPatch) -> None:
    mutant.apply(monkeypatch)
    shop, times = in_quanta(mutant.shop(), contrary=2 * QUANTUM, alone=2 * QUANTUM)
    heard, begin = moves(shop, more=mutant.more), at_rest(shop)
    with monkeypatch.context() as alone:
        no_interlock(alone)
        wrong = walk(shop, heard, times, begin=begin, also=anything, but="no alarm")
    assert any(breach.startswith(mutant.breaks) for breach in wrong.breaches), f"harmless: {wrong}"
    spoke = []

    def note(outcome: Outcome) -> list[str]:
        spoke.extend(no_veto(outcome))
        return []

    # The alarm is the sequence's business; the hold that follows a veto raises one of its own.
    held = walk(shop, heard, times, begin=begin, also=note, most=max(FAR, 2 * wrong.states), but="no alarm")
    assert not held.breaches, "\n".join([*held.breaches, *held.path])
    assert spoke
