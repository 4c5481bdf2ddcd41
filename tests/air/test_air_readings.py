"""Readings: taps in a tree, static suction, what one thing does to each reading, mean over centreline velocity."""

import math
import random

import pytest
from air_shops import AIR, random_tree, square_law
from measured_shops import described, plan
from msgspec.structs import replace
from scipy import integrate

from gatehand_air.fan_curve import Filter
from gatehand_air.friction import area, velocity_pressure
from gatehand_air.readings import PROFILE, PROFILE_SPREAD, Guess, Measurement, Quantity, Shop, mean_over_centre, split
from gatehand_air.solve import Solution, Solver
from gatehand_air.tree import Duct, Network

OPEN = frozenset({"saw"})


@pytest.mark.parametrize(
    ("exponent", "published"),
    [
        (7.0, 0.817),  # Prandtl's one-seventh power law, as chemical engineers' lecture notes print it [pub]
        (6.0, 0.791),  # Schlichting, Boundary-Layer Theory, table 20.1 [memory]; integrated below
        (6.6, 0.807),  # [memory]
        (8.8, 0.850),  # [memory]
        (10.0, 0.865),  # [memory]
    ],
)
def test_mean_over_centreline_velocity_is_what_is_published(exponent: float, published: float) -> None:
    assert mean_over_centre(exponent) == pytest.approx(published, abs=1e-3)
    mean, _ = integrate.quad(lambda r: 2 * r * (1 - r) ** (1 / exponent), 0, 1)
    assert mean_over_centre(exponent) == pytest.approx(mean, rel=1e-8)


def test_a_centreline_reading_is_10_to_25_percent_high_within_its_spread() -> None:
    assert mean_over_centre(7) == PROFILE
    assert mean_over_centre(6) >= PROFILE * (1 - PROFILE_SPREAD)
    assert mean_over_centre(10) <= PROFILE * (1 + PROFILE_SPREAD)
    assert 1.10 < 1 / PROFILE < 1.25


def one_duct(entry: float = 0.93, length: float = 2.0, roughness: float = 0.0) -> Solver:
    duct = Duct(
        name="drop", into=None, diameter=0.1, length=length, roughness=roughness, factor=0.4, entry=entry, gate="saw"
    )
    return Solver(Network((duct,)), square_law(2400.0, 8000.0), Filter(), AIR)


def shown(shop: Solver, readings: list[Measurement]) -> list[float]:
    whole = Shop(shop, tuple(readings))
    sets = whole.solved(Guess(1.0, shop.filter.factor))
    assert sets is not None
    off = whole.off(sets)
    assert off is not None
    return [one.value * math.exp(-ln) for one, ln in zip(readings, off, strict=True)]


@pytest.mark.parametrize(("entry", "ce"), [(0.93, 0.72), (0.49, 0.82), (0.04, 0.98)])
def test_the_static_suction_behind_a_hood_gives_its_published_coefficient_of_entry(entry: float, ce: float) -> None:
    """Ce = sqrt(velocity pressure / hood static suction): 0.72 plain, 0.82 flanged, 0.98 bell (ACGIH [pub])."""
    shop = one_duct(entry)
    flow, static = shown(
        shop, [Measurement(OPEN, Quantity.HOOD, "drop", 1.0), Measurement(OPEN, Quantity.TAP, "drop", 1.0, at=0.0)]
    )
    dynamic = velocity_pressure(flow / area(0.1), AIR)
    assert math.sqrt(dynamic / static) == pytest.approx(ce, abs=0.005)
    assert static == pytest.approx((1 + entry) * dynamic, rel=2e-3)


@pytest.mark.parametrize("seed", range(6))
def test_taps_change_no_flow_and_the_last_one_reads_the_suction(seed: int) -> None:
    of = described(seed)
    readings = plan(of)
    tree = split(of.network, readings)
    assert len(tree.network.ducts) > len(of.network.ducts)
    assert sum(duct.length for duct in tree.network.ducts) == pytest.approx(sum(d.length for d in of.network.ducts))
    gates = [end.gate or "" for end in of.network.ends][:2]
    plain, cut = of.clean.solve(gates), replace(of.clean, network=tree.network).solve(gates)
    assert isinstance(plain, Solution)
    assert isinstance(cut, Solution)
    for name, flow in plain.flows.items():
        assert cut.flows[name] == pytest.approx(flow, rel=1e-7)
    root = of.network.root
    suction, tap = shown(
        of.clean,
        [
            Measurement(frozenset(gates), Quantity.SUCTION, "", 1.0),
            Measurement(frozenset(gates), Quantity.TAP, root.name, 1.0, at=root.length),
        ],
    )
    assert suction == pytest.approx(of.suction(plain), rel=1e-7)
    assert tap == pytest.approx(suction, rel=1e-9)


def test_suction_rises_from_tap_to_tap_by_friction_and_fittings() -> None:
    """Between two taps of one duct the static suction rises by their share of friction and of the fittings' factor."""
    shop = one_duct(length=4.0)
    flow, near, far = shown(
        shop,
        [
            Measurement(OPEN, Quantity.HOOD, "drop", 1.0),
            Measurement(OPEN, Quantity.TAP, "drop", 1.0, at=1.0),
            Measurement(OPEN, Quantity.TAP, "drop", 1.0, at=3.0),
        ],
    )
    velocity = flow / area(0.1)
    dynamic = velocity_pressure(velocity, AIR)
    reynolds = velocity * 0.1 / AIR.viscosity
    friction = 0.25 / math.log10(5.74 / reynolds**0.9) ** 2  # Swamee and Jain, smooth [pub]
    assert far - near == pytest.approx((friction * 2.0 / 0.1 + 0.4 / 2) * dynamic, rel=1e-6)


@pytest.mark.parametrize("seed", range(5))
def test_each_effect_is_what_a_whole_solution_shows(seed: int) -> None:
    """A push of a thousandth: the straight answer is the difference of two solved shops, for every kind of reading."""
    rng = random.Random(seed)
    of = described(seed)
    gates = frozenset(end.gate or "" for end in of.network.ends[:2])
    hood = of.network.ends[0].name
    some = [
        Measurement(gates, Quantity.HOOD, hood, 1.0),
        Measurement(gates, Quantity.DUCT, of.network.root.name, 1.0),
        Measurement(gates, Quantity.SUCTION, "", 1.0),
        Measurement(gates, Quantity.FILTER, "", 1.0),
        *(Measurement(gates, Quantity.TAP, d.name, 1.0, at=d.length * 0.4) for d in of.network.path(hood)),
    ]
    shop = Shop(of.clean, tuple(some))
    guess = Guess(1.0, of.clean.filter.factor)
    (before,) = shop.solved(guess) or ()
    tiny = 1e-4
    name = rng.choice(sorted(before.at))
    place = before.at[name]
    pushes = [
        (replace(guess, scale=1 + tiny), before.effect(before.answer.pressure * tiny, {})),
        (replace(guess, filter=guess.filter * (1 + tiny)), before.effect(0.0, {}, before.answer.filter_loss * tiny)),
        (replace(guess, extra={name: tiny}), before.effect(0.0, {place: before.dynamic[place] * tiny})),
    ]
    for there, effect in pushes:
        (after,) = shop.solved(there) or ()
        was, now = before.shown(), after.shown()
        assert was is not None
        assert now is not None
        real = [math.log(new / old) for new, old in zip(now, was, strict=True)]
        assert effect == pytest.approx(real, rel=5e-3, abs=2e-8)


def test_what_a_ducts_loses_is_what_its_pieces_lose() -> None:
    network = random_tree(random.Random(3))
    solver = Solver(network, square_law(2400.0, 8000.0), Filter(1500.0), AIR)
    gates = frozenset(network.gates)
    taps = [Measurement(gates, Quantity.TAP, duct.name, 1.0, at=duct.length / 2) for duct in network.ducts]
    (one,) = Shop(solver, tuple(taps)).solved(Guess(1.0, 1500.0)) or ()
    whole = solver.solve(gates)
    assert isinstance(whole, Solution)
    before = dict.fromkeys(network.ducts, 0.0)
    for duct in network.ducts:
        lost = sum(
            loss
            for loss, name in zip(one.losses, one.answer.ducts, strict=True)
            if one.tree.pieces[name].duct == duct.name
        )
        joints = [other.name for other in network.ducts if other.into == duct.name]
        start = whole.suctions[joints[0]] if joints else before[duct]
        assert lost == pytest.approx(whole.suctions[duct.name] - start, rel=1e-6)
