"""The plain solver on shops at the edge of sense: it never raises, and what it says balances or is a right bound."""

import os
import random
import sys
from collections import Counter

import pytest
from air_shops import AIR, branch, solver, square_law, three_branches, trunk
from hypothesis import given
from hypothesis import strategies as st
from msgspec.structs import replace
from odd_shops import odd_shop

from gatehand_air.fan_curve import Curve, Filter
from gatehand_air.solve import ROUNDS, TRACE, Solution, Solver, Unsolved, Why
from gatehand_air.spread import spread
from gatehand_air.tree import Network

BALANCE = 1.0001e-8
"""Of the suction at the root; the solver's own check is 1e-8, and what follows rounds in another order."""


def balances(shop: Solver, gates: frozenset[str], answer: Solution) -> None:
    """Each duct's loss joins the suctions at its two ends, and no air is lost."""
    flows, suctions = answer.flows, answer.suctions
    root = shop.network.root.name
    for duct, law in zip(shop.network.ducts, shop.laws, strict=True):
        if duct.name not in flows:
            continue
        shut = duct.gate is not None and duct.gate not in gates
        law_here = replace(law, fixed=law.fixed + (duct.leak or 0.0)) if shut else law
        joining = [other.name for other in shop.network.ducts if other.into == duct.name and other.name in flows]
        behind = suctions[joining[0]] if joining else 0.0
        lost = shop.law(law_here, flows[duct.name])[0]
        assert abs(suctions[duct.name] - behind - lost) <= BALANCE * suctions[root], duct.name
        if joining:
            assert sum(flows[name] for name in joining) == pytest.approx(flows[duct.name], rel=1e-11)
    assert answer.flow == flows[root]


def on_the_curve(shop: Solver, answer: Solution) -> None:
    """The suction is what the curve gives within 2e-12 of that flow, less what the filter takes."""
    near = (answer.flow * (1 - 2e-12), answer.flow * (1 + 2e-12))
    most, least = (shop.net(flow)[0] for flow in near)
    suction = answer.suctions[shop.network.root.name]
    off = BALANCE * suction + 4 * sys.float_info.epsilon * shop.fan.points[0][1]  # of the piece's own sum
    assert least - off <= suction <= most + off
    assert suction == pytest.approx(answer.pressure - answer.filter_loss, abs=off)


def worked_out_or_bounded(seed: int) -> str:
    """What kind of answer it was."""
    shop = odd_shop(seed)
    rng = random.Random(seed)
    gates = frozenset(gate for gate in shop.network.gates if rng.random() < 0.6)
    answer = shop.solve(gates)
    if isinstance(answer, Solution):
        balances(shop, gates, answer)
        on_the_curve(shop, answer)
        assert shop.fan.first * (1 - 1e-9) <= answer.flow <= shop.fan.last * (1 + 1e-9)
        found = spread(shop, gates, answer)
        assert all(half >= 0 for half in found.flows.values())
        return "halved" if answer.rounds > ROUNDS else "solved"
    if answer.why is Why.ALL_SHUT:
        assert answer == Unsolved(Why.ALL_SHUT)
        return str(answer.why)
    assert answer.bound is not None
    balances(shop, gates, answer.bound)
    assert answer.bound.flow == pytest.approx(answer.limit, rel=1e-12)
    given_, asked = shop.net(answer.bound.flow)[0], answer.bound.suctions[shop.network.root.name]
    if answer.why is Why.BEYOND_CURVE:  # at its last flow the fan still gives more than these ducts ask for
        assert answer.limit == shop.fan.last
        assert given_ >= asked * (1 - BALANCE)
    else:
        assert answer.why is Why.BEFORE_CURVE
        assert answer.limit == shop.fan.first
        assert given_ <= asked * (1 + BALANCE)
    return str(answer.why)


@given(st.integers(0, 10**9))
def test_any_shop_is_worked_out_or_bounded(seed: int) -> None:
    worked_out_or_bounded(seed)


def test_every_kind_of_answer_is_seen() -> None:
    """`python -m tests.long odd_shops` draws more of them."""
    count = int(os.environ.get("GATEHAND_ODD_SHOPS", "100"))
    first = int(os.environ.get("GATEHAND_ODD_SHOPS_SEED", "0")) * count
    seen = Counter(worked_out_or_bounded(seed) for seed in range(first, first + count))
    print(f"{count} odd shops: {dict(seen)}")
    assert seen.keys() == {"solved", "halved", "all_shut", "beyond_curve", "before_curve"}


def solved(shop: Solver, gates: list[str]) -> Solution:
    answer = shop.solve(gates)
    assert isinstance(answer, Solution)
    return answer


def test_a_duct_that_loses_nothing_is_as_if_it_were_not_there() -> None:
    plain = three_branches()
    joint = trunk("joint", "t1", 6, 0, 0)
    longer = Network((*(replace(d, into="joint") if d.into == "t1" else d for d in plain.ducts), joint))
    for gates in (["b1"], ["b1", "b2"], ["b1", "b2", "b3"]):
        with_, without = solved(solver(longer), gates).flows, solved(solver(plain), gates).flows
        assert with_.pop("joint") == with_["t1"]
        assert with_ == pytest.approx(without, rel=1e-8)


def test_a_hood_that_loses_nothing_takes_all_the_air_of_its_joint() -> None:
    """Its joint is at room pressure: the total is that of the rest of the way alone, the neighbour gets a trace."""
    free = branch("free", "t1", 6, 0, 0)
    network = Network((trunk("t1", None, 6, 5, 0.4), free, branch("b1", "t1", 4, 6, 1.2)))
    answer = solved(solver(network), ["free", "b1"])
    alone = solved(solver(Network((replace(trunk("t1", None, 6, 5, 0.4), entry=0.0, gate="t1"),))), ["t1"])
    assert answer.flow == pytest.approx(alone.flow, rel=1e-8)
    assert answer.flows["free"] == pytest.approx(answer.flow, rel=1e-4)
    assert 0 < answer.flows["b1"] < 1e-4 * answer.flow
    twice = Network((*network.ducts, branch("twin", "t1", 6, 0, 0)))
    both = solved(solver(twice), ["free", "twin", "b1"])
    assert both.flow == pytest.approx(alone.flow, rel=1e-8)
    assert both.flows["free"] == both.flows["twin"]


def test_a_way_that_loses_nothing_at_all_lies_beyond_any_curve() -> None:
    """The config refuses it; here it is the limit of ever wider ducts."""
    network = Network((trunk("t1", None, 6, 0, 0), branch("b1", "t1", 6, 0, 0)))
    answer = replace(solver(network), fan=Curve(((0.0, 2400.0), (0.5, 400.0)))).solve(["b1"])
    assert isinstance(answer, Unsolved)
    assert answer.why is Why.BEYOND_CURVE
    assert answer.bound is not None
    assert answer.bound.flows == {"b1": 0.5, "t1": 0.5}


def test_the_trace_of_a_loss_is_far_below_the_balance() -> None:
    """What it does to a way that loses one velocity pressure besides."""
    without, with_it = (
        Network((branch("b1", "t1", 4, 0, 1.0, entry=entry), trunk("t1", None, 4, 0, 0))) for entry in (0.0, TRACE)
    )
    assert solved(solver(without), ["b1"]).flow == pytest.approx(solved(solver(with_it), ["b1"]).flow, rel=TRACE)
    assert TRACE <= BALANCE / 10


@pytest.mark.parametrize("times", [0.01, 100.0])
def test_a_fan_far_too_small_or_big_for_its_ducts(times: float) -> None:
    curve = square_law(2400 * times, 8000)
    for gates in (["b1"], ["b1", "b2", "b3"]):
        answer = solved(replace(solver(three_branches()), fan=curve), gates)
        balances(replace(solver(three_branches()), fan=curve), frozenset(gates), answer)
    far = Curve(tuple((flow * times, pressure) for flow, pressure in square_law(2400, 8000).points))
    found = replace(solver(three_branches()), fan=far).solve(["b1"])
    assert isinstance(found, Solution) or found.why is Why.BEYOND_CURVE


def test_a_curve_that_gives_nothing_moves_nothing() -> None:
    """Static suction in an inlet pipe may turn negative as fan static pressure: no flow meets any duct then."""
    shop = replace(solver(three_branches()), fan=Curve(((0.1, -5.0), (0.5, -90.0))))
    answer = shop.solve(["b1"])
    assert isinstance(answer, Unsolved)
    assert (answer.why, answer.limit) == (Why.BEFORE_CURVE, 0.1)
    still = replace(shop, fan=Curve(((0.0, -5.0), (0.5, -90.0))))
    assert still.solve(["b1"]) == Unsolved(Why.NOT_CONVERGED)


def test_on_an_upright_piece_the_ducts_say_which_pressure() -> None:
    """From 2,000 to 100 Pa within a last digit or two of the flow: more than any check of pressures could pass."""
    fall = 0.2 * (1 + 4e-15)
    shop = Solver(three_branches(), Curve(((0.0, 2400.0), (0.1, 2000.0), (0.2, 2000.0), (fall, 100.0))), Filter(), AIR)
    answer = solved(shop, ["b1", "b2", "b3"])
    balances(shop, frozenset({"b1", "b2", "b3"}), answer)
    assert answer.flow == pytest.approx(0.2, rel=1e-12)
    assert 100 < answer.pressure < 2000
