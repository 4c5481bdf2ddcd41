"""Faults put into generated shops, and what the fit says of them; `python -m tests.long measured` draws many more.

Each shop is off its description by chance as far as its ignorance goes, and every reading as far as its accuracy: so a
few faults drown in it. What may be missed is one in ten; what must never be is a fault named where there is none.
"""

import math
import os
import random
from collections.abc import Sequence

from measured_shops import as_built, described, plan, read
from msgspec.structs import replace

from gatehand_air.ducting import Ducting
from gatehand_air.fit import Fit, fit
from gatehand_air.readings import Measurement
from gatehand_air.solve import Solver
from gatehand_air.tree import Network

COUNT = int(os.environ.get("GATEHAND_MEASURED", "4"))
SEED = int(os.environ.get("GATEHAND_MEASURED_SEED", "1"))
MOST = 4 if COUNT > 4 else 3
SEEDS = range(1000 * SEED, 1000 * SEED + COUNT)
"""Shops of each kind."""


def told(what: str, good: Sequence[bool], least: float = 0.9) -> None:
    """Whether enough of it went well: all but one of a small sample."""
    print(f"{what}: {sum(good)} of {len(good)}")
    assert sum(good) >= min(least * len(good), len(good) - 1), what


def holds(found: Fit, scale: float) -> bool:
    return abs(math.log(found.scale / scale)) <= found.scale_off


def named(found: Fit, duct: str) -> bool:
    """Whether the first fault is a piece of that duct, or may as well be."""
    return bool(found.faults) and duct in {
        one.piece.duct for one in (found.faults[0].what, *found.faults[0].others) if one.piece is not None
    }


def measured(of: Ducting, real: Solver, seed: int, *, accuracy: float = 0.02, taps: bool = True) -> list[Measurement]:
    return read(real, plan(of, accuracy=accuracy, taps=taps, most=MOST), seed)


def test_a_shop_without_a_fault_has_none_named_and_its_fan_is_found() -> None:
    found, scales = [], []
    for seed in SEEDS:
        of, scale = described(seed), random.Random(seed).uniform(0.65, 1.1)
        found.append(fit(of, measured(of, as_built(of, seed, scale), seed, accuracy=0.05)))
        scales.append(scale)
    told("no fault named", [not one.faults for one in found], 0.95)
    told("the fan's spread holds", [holds(one, scale) for one, scale in zip(found, scales, strict=True)], 0.92)


def test_a_reading_that_is_off_by_31_percent_is_named_with_its_figure() -> None:
    good, figures = [], []
    for seed in SEEDS:
        of, dice = described(seed), random.Random(seed)
        readings = measured(of, as_built(of, seed, 0.87), seed)
        at, factor = dice.randrange(len(readings)), dice.choice([1.31, 1 / 1.31])
        readings[at] = replace(readings[at], value=readings[at].value * factor)
        found = fit(of, readings)
        first = found.faults[0] if found.faults else None
        good.append(first is not None and at in {one.reading for one in (first.what, *first.others)})
        assert len(found.after) == len(readings), "it is left out of the figures, not of the report"
        if first is not None and first.what.reading == at:
            figures.append(abs(math.log1p(first.off) - math.log(factor)) < 0.15 and first.rest < 0.03)
    told("outlier named", good)
    told("by its figure, the others by little", figures)


def test_taps_find_a_blockage_and_it_is_not_put_down_to_the_fan() -> None:
    """Three velocity pressures more in one duct."""
    good, losses, scales = [], [], []
    for seed in SEEDS:
        of, dice = described(seed), random.Random(seed)
        where = dice.choice(sorted({d.name for end in of.network.ends[:3] for d in of.network.path(end.name)}))
        found = fit(of, measured(of, as_built(of, seed, 0.9, extra={where: 3.0}), seed))
        good.append(named(found, where))
        losses.append(any(p.off and p.found > p.described and p.piece.duct == where for p in found.places))
        scales.append(abs(math.log(found.scale / 0.9)) < 0.08)
    told("blockage named", good)
    told("it loses more than described", losses)
    told("fan found all the same", scales)


def test_a_tap_behind_the_hood_finds_a_hood_that_loses_more() -> None:
    good = []
    for seed in SEEDS:
        of = described(seed)
        hood = of.network.ends[0].name
        real = as_built(of, seed, 0.95)
        ducts = (replace(d, entry=(d.entry or 0.0) + 4.0) if d.name == hood else d for d in real.network.ducts)
        found = fit(of, measured(of, replace(real, network=Network(tuple(ducts))), seed))
        first = found.faults[0].what.piece if found.faults else None
        good.append(first is not None and first.hood and not first.last and first.duct == hood)
    told("hood named", good)


def test_a_clogged_filter_is_found_across_itself() -> None:
    """Six times what is described as clean, more than twice what is described as dirty."""
    holding, beyond = [], []
    for seed in SEEDS:
        of = described(seed)
        real = as_built(of, seed, 0.95, 6.0)
        found = fit(of, read(real, plan(of, taps=False, filter_=True, most=MOST), seed))
        assert found.with_filter
        holding.append(abs(found.filter.factor / real.filter.factor - 1) <= found.filter_off)
        beyond.append(found.filter.factor * (1 - found.filter_off) > of.dirty_filter.factor)
    told("the filter's spread holds", holding)
    told("filter found", beyond)


def test_a_weak_fan_is_not_put_down_to_the_ducts() -> None:
    good = []
    for seed in SEEDS:
        of = described(seed)
        found = fit(of, measured(of, as_built(of, seed, 0.7), seed, accuracy=0.05))
        good.append(not found.faults and holds(found, 0.7) and found.fan_plausible)
    told("weak fan found", good)
