"""What must hold for any duct tree and any set of open gates."""

import random

import pytest
from air_shops import AIR, FAN, branch, random_tree, solver, square_law, three_branches, trunk
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace

from gatehand_air.fan_curve import Curve, Filter
from gatehand_air.friction import colebrook_loss, swamee_jain_loss
from gatehand_air.properties import Air
from gatehand_air.solve import Solution, Solver, SolveResult, Unsolved, Why
from gatehand_air.tree import Network

ACCURACY = 1e-7
"""Each answer balances to 1e-8 of the fan's pressure."""

seeds = st.integers(0, 10**9)
filters = st.builds(Filter, st.floats(0, 20_000), st.sampled_from([1.0, 1.5, 2.0]))


def solved(shop: Solver, gates: frozenset[str]) -> Solution:
    answer = shop.solve(gates)
    assert isinstance(answer, Solution)
    return answer


def shop_and_gates(seed: int, filter_: Filter) -> tuple[Solver, frozenset[str], list[str]]:
    """A random tree, at least one open gate, and the shut ones."""
    rng = random.Random(seed)
    shop = replace(solver(random_tree(rng)), filter=filter_)
    gates = sorted(shop.network.gates)
    opened = frozenset(rng.sample(gates, rng.randint(1, len(gates))))
    return shop, opened, [gate for gate in gates if gate not in opened]


@given(seeds, filters)
def test_mass_is_kept_at_each_joint(seed: int, filter_: Filter) -> None:
    shop, opened, _ = shop_and_gates(seed, filter_)
    flows = solved(shop, opened).flows
    for duct in shop.network.ducts:
        if duct.entry is None and duct.name in flows:
            joining = sum(flows.get(other.name, 0.0) for other in shop.network.ducts if other.into == duct.name)
            assert joining == pytest.approx(flows[duct.name], rel=1e-9)


@given(seeds, filters)
def test_every_way_from_a_hood_loses_what_the_fan_gives(seed: int, filter_: Filter) -> None:
    shop, opened, _ = shop_and_gates(seed, filter_)
    answer = solved(shop, opened)
    flows = answer.flows
    losses = {
        duct.name: shop.law(law, flows[duct.name])[0]
        for duct, law in zip(shop.network.ducts, shop.laws, strict=True)
        if duct.name in flows
    }
    given_ = FAN[0] - FAN[1] * answer.flow**2 - filter_.factor * answer.flow**filter_.exponent
    for end in shop.network.ends:
        if end.gate in opened:
            way = sum(losses[duct.name] for duct in shop.network.path(end.name))
            assert way == pytest.approx(given_, rel=1e-4, abs=0.5)  # the curve joins 400 points of the parabola
            assert way == pytest.approx(answer.pressure - answer.filter_loss, rel=ACCURACY)


@given(seeds, filters)
def test_one_more_gate_never_lowers_the_total_nor_raises_another_branch(seed: int, filter_: Filter) -> None:
    shop, opened, shut = shop_and_gates(seed, filter_)
    before = solved(shop, opened)
    for gate in shut:
        after = solved(shop, opened | {gate})
        assert after.flow >= before.flow * (1 - ACCURACY)
        for end in shop.network.ends:
            if end.gate in opened:
                assert after.flows[end.name] <= before.flows[end.name] * (1 + ACCURACY)


@given(seeds, filters)
def test_a_dirtier_filter_never_brings_more_air(seed: int, filter_: Filter) -> None:
    shop, opened, _ = shop_and_gates(seed, filter_)
    dirtier = replace(shop, filter=Filter(filter_.factor * 2 + 1, filter_.exponent))
    assert solved(dirtier, opened).flow <= solved(shop, opened).flow * (1 + ACCURACY)


@given(st.integers(2, 8), st.floats(2, 6), st.floats(0.5, 12), st.floats(0.1, 4))
def test_symmetric_branches_are_equal(count: int, inches: float, length: float, factor: float) -> None:
    ducts = [branch(f"g{i}", "root", inches, length, factor) for i in range(count)]
    answer = solved(solver(Network((trunk("root", None, 6, 4, 0.5), *ducts))), frozenset(f"g{i}" for i in range(count)))
    flows = [answer.flows[f"g{i}"] for i in range(count)]
    assert flows == pytest.approx([answer.flow / count] * count, rel=1e-12)


@given(seeds)
def test_the_order_in_which_ducts_are_listed_changes_nothing(seed: int) -> None:
    shop, opened, _ = shop_and_gates(seed, Filter())
    listed = list(shop.network.ducts)
    random.Random(seed).shuffle(listed)
    other = solved(replace(shop, network=Network(tuple(listed))), opened).flows
    assert other == pytest.approx(solved(shop, opened).flows, rel=ACCURACY)


@given(seeds)
def test_both_friction_laws_agree_within_their_two_percent(seed: int) -> None:
    shop, opened, _ = shop_and_gates(seed, Filter())
    assert shop.law is swamee_jain_loss
    other = solved(replace(shop, law=colebrook_loss), opened)
    assert other.flow == pytest.approx(solved(shop, opened).flow, rel=0.012)


@given(seeds, st.floats(0.7, 1.3))
def test_flow_does_not_depend_on_density_where_all_goes_with_it(seed: int, part: float) -> None:
    """Fan laws: thinner air, less pressure and less loss alike. Reynolds' number is kept by the viscosity."""
    shop, opened, _ = shop_and_gates(seed, Filter())
    thin = Solver(shop.network, shop.fan.scaled(part), Filter(), Air(AIR.density * part, AIR.viscosity))
    here, there = solved(shop, opened), solved(thin, opened)
    assert there.flow == pytest.approx(here.flow, rel=ACCURACY)
    assert there.pressure == pytest.approx(here.pressure * part, rel=ACCURACY)


def test_nothing_open_says_so() -> None:
    assert solver(three_branches()).solve([]) == Unsolved(Why.ALL_SHUT)
    assert solver(three_branches()).solve(["not_there"]) == Unsolved(Why.ALL_SHUT)


def ended(answer: SolveResult) -> tuple[Why, float]:
    """Why there is no answer and where the curve ends; at that end the ducts are worked out."""
    assert isinstance(answer, Unsolved)
    assert answer.limit is not None
    assert answer.bound is not None
    assert answer.bound.flow == pytest.approx(answer.limit, rel=1e-12)
    return answer.why, answer.limit


def test_beyond_the_curve_nothing_is_claimed() -> None:
    weak = Curve(((0.0, 2400.0), (0.2, 2100.0)))
    shop = replace(solver(three_branches()), fan=weak)
    assert ended(shop.solve(["b1"])) == (Why.BEYOND_CURVE, 0.2)
    late = replace(solver(three_branches()), fan=Curve(((0.4, 1500.0), (0.5, 400.0))))
    assert ended(late.solve(["b1"])) == (Why.BEFORE_CURVE, 0.4)
    assert isinstance(late.solve(["b1", "b2", "b3"]), Solution)


@given(seeds, st.lists(st.tuples(st.floats(0.003, 0.3), st.floats(0.0, 0.98)), min_size=1, max_size=6))
def test_a_curve_however_bent_has_its_answer(seed: int, steps: list[tuple[float, float]]) -> None:
    """Newton's method runs in circles on some of these; the answer must be there, or lie beyond the curve."""
    points = [(0.0, 3000.0)]
    for step, drop in steps:
        flow, pressure = points[-1]
        points.append((flow + step, pressure * (1 - drop)))
    shop, opened, _ = shop_and_gates(seed, Filter())
    answer = replace(shop, fan=Curve(tuple(points))).solve(opened)
    if isinstance(answer, Unsolved):
        assert answer.why is Why.BEYOND_CURVE
        at_end = replace(shop, fan=Curve(((0.0, points[-1][1]), (9.0, points[-1][1])))).solve(opened)
        assert points[-1][1] == 0 or (isinstance(at_end, Solution) and at_end.flow >= points[-1][0] * (1 - ACCURACY))
    else:
        assert answer.pressure == pytest.approx(Curve(tuple(points)).at(answer.flow)[0])
        assert answer.residual <= 1e-8


def test_newtons_circles_are_left_by_halving() -> None:
    points = ((0.0, 8861.974), (0.139595, 5681.275), (0.144596, 1675.381), (0.161638, 1446.405), (0.853058, 0.0))
    shop = replace(solver(three_branches()), fan=Curve(points))
    found = []
    for gates in (["b1"], ["b2"], ["b3"], ["b1", "b2"], ["b1", "b2", "b3"]):
        for factor in (0.02, 0.2, 1.0, 3.0):
            answer = solved(replace(shop, fan=shop.fan.scaled(factor)), frozenset(gates))
            found.append(answer.rounds)
    assert max(found) > 20, "no case of these needed it: the test tests nothing"


def test_a_leaking_gate_lets_by_what_it_was_measured_with() -> None:
    tight = three_branches()
    leak = 400.0 / 0.01**2
    leaky = Network(tuple(replace(d, leak=leak) if d.name == "b3" else d for d in tight.ducts))
    shop = solver(leaky)
    answer = solved(shop, frozenset({"b1"}))
    by = answer.flows["b3"]
    assert by == pytest.approx(0.01 * (answer.suctions["b3"] / 400.0) ** 0.5, rel=0.01)
    assert answer.flow > solved(solver(tight), frozenset({"b1"})).flow
    assert isinstance(shop.solve([]), Solution)


def test_an_answer_that_does_not_balance_is_no_answer() -> None:
    """The check itself: a law that says something else each time it is asked gives no figures."""
    shop = solver(three_branches())
    calls = 0

    def shifty(duct: object, flow: float) -> tuple[float, float]:
        nonlocal calls
        calls += 1
        lost, slope = swamee_jain_loss(duct, flow)  # type: ignore[arg-type]
        return (lost * (1 + 1e-3 * (calls % 7)), slope)

    assert shop.solve(["b1", "b2"]) != Unsolved(Why.NOT_CONVERGED)
    assert replace(shop, law=shifty).solve(["b1", "b2"]) == Unsolved(Why.NOT_CONVERGED)


@settings(max_examples=30)
@given(seeds, st.floats(0.001, 1000))
def test_tiny_and_huge_losses_are_solved_too(seed: int, times: float) -> None:
    shop, opened, _ = shop_and_gates(seed, Filter())
    ducts = tuple(replace(d, factor=d.factor * times) for d in shop.network.ducts)
    answer = solved(replace(shop, network=Network(ducts)), opened)
    assert answer.residual <= 1e-8
    assert 0 < answer.flow <= (FAN[0] / FAN[1]) ** 0.5


def test_the_curve_of_the_tests_is_the_parabola() -> None:
    curve = square_law(*FAN)
    for flow in (0.05, 0.2, 0.333, 0.5):
        assert curve.at(flow)[0] == pytest.approx(FAN[0] - FAN[1] * flow**2, rel=1e-6)
