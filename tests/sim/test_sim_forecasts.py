"""What the statuses of simulated days foretell comes true within a second when nothing else happens.

A few hours in every run; `python -m tests.long forecasts` looks at every forecast of two hundred whole days.
"""

import os
import time
from collections.abc import Callable
from multiprocessing import get_context
from typing import TypeAlias

import pytest
from msgspec.structs import replace
from sim_forecasts import Judged, judge_days
from sim_script import DAY, OPENS

from gatehand.shell import foresight, status_messages
from gatehand_rules import State
from gatehand_rules import forecast as rules_forecast
from gatehand_rules.forecast import Ahead
from gatehand_rules.shop import CollectorAt, Shop
from gatehand_rules.state import ToolRunOn

DAYS = int(os.environ.get("GATEHAND_FORECAST_DAYS", "0"))
SEED = os.environ.get("GATEHAND_SIM_SEED", "ci")
HOURS = 2.5 * 3600
"""Of work, where no whole days are asked for."""
MORNINGS = ("11", "7", "33")
"""Days that have a budget that runs low, run-ons of several tools, two collectors, hand starts."""

Patch: TypeAlias = pytest.MonkeyPatch


def whole_days() -> Judged:
    """All of so many days, on all processors."""
    total = Judged()
    with get_context("forkserver").Pool(os.cpu_count()) as pool:
        for each in pool.imap_unordered(_whole_day, [f"{SEED}.{number}" for number in range(DAYS)]):
            total.add(each)
    return total


def _whole_day(seed: str) -> Judged:
    return judge_days([seed], 1.0, DAY)


def mornings(most_wrong: int | None = None) -> Judged:
    """The first hours of some days, until so many forecasts have proven wrong."""
    total = Judged()
    for number in MORNINGS:
        total.add(judge_days([f"ci.{number}"], 1.0, OPENS + HOURS))
        if most_wrong is not None and len(total.wrong) >= most_wrong:
            break
    return total


@pytest.mark.slow
def test_what_the_statuses_foretell_comes_true_when_nothing_else_happens(tell: Callable[[str], None]) -> None:
    began = time.monotonic()
    judged = whole_days() if DAYS else mornings()
    tell(f"{judged}\n{time.monotonic() - began:.0f} s of the machine's own time")
    assert judged.wrong == []
    for kind in ("until", "no until", "run_on_until", "run_on_ends", "hand_ends", "coast_down_until"):
        assert judged.told[kind] > 0, f"never looked at: {kind}"


def latest_run_on(patch: Patch) -> None:
    """A status that counts the run-ons alone, whoever they belong to, as it once did."""
    real = foresight.forecast

    def run_ons_alone(shop: Shop, state: State, now: float) -> Ahead:
        found = real(shop, state, now)
        fans = list(found.collectors)
        for at, fan in enumerate(state.collectors):
            own = zip(shop.tools, state.tools, strict=True)
            name = shop.collectors[at].name
            ends = [one.since + tool.run_on for tool, one in own if tool.collector == name and type(one) is ToolRunOn]
            if fan.on_phase and ends:
                fans[at] = replace(fans[at], off_at=max(ends))
        return replace(found, collectors=tuple(fans))

    patch.setattr(foresight, "forecast", run_ons_alone)


def no_budget(patch: Patch) -> None:
    """A forecast that takes the fan off with its last demand."""
    real = rules_forecast.step

    def without_budget(shop: Shop, *rest: object) -> object:
        return real(replace(shop, collectors=tuple(replace(f, starts_per_hour=None) for f in shop.collectors)), *rest)  # type: ignore[arg-type]

    patch.setattr(rules_forecast, "step", without_budget)


def sensors_fall_silent(patch: Patch) -> None:
    """A forecast in which no sensor says anything any more."""
    patch.setattr(rules_forecast, "_heard_on", lambda tool: tool)


def gates_do_not_arrive(patch: Patch) -> None:
    """A forecast in which gates that report never do."""
    patch.setattr(rules_forecast._Play, "_arrivals", lambda _self: iter(()))  # noqa: SLF001


def shown_once(patch: Patch) -> None:
    """A tool's or a gate's future that changes while its state does not is not shown anew."""
    patch.setattr("gatehand.shell.state_publisher.retold", lambda *_: {})


def coasting_for_ever_known(patch: Patch) -> None:
    """A coast-down that is shown although a start comes before its end."""
    real = status_messages._collector  # noqa: SLF001

    def as_it_was(shop: Shop, i: CollectorAt, state: State, ahead: Ahead, at: status_messages.ClockPair) -> object:
        seen = state.collectors[i]
        coasts = not seen.on_phase and at.mono < seen.still_at < float("inf")
        return {**real(shop, i, state, ahead, at), "coast_down_until": at.of(seen.still_at) if coasts else None}

    patch.setattr(status_messages, "_collector", as_it_was)


@pytest.mark.slow
@pytest.mark.parametrize(
    "mutant",
    [latest_run_on, no_budget, sensors_fall_silent, gates_do_not_arrive, shown_once, coasting_for_ever_known],
    ids=lambda mutant: mutant.__name__,
)
def test_a_forecast_that_is_wrong_is_found(mutant: Callable[[Patch], None], monkeypatch: Patch) -> None:
    mutant(monkeypatch)
    assert mornings(most_wrong=1).wrong
