"""All sets at once, with numpy, against the plain solver, which is its check; both ways of `Ducting` say the same."""

import random
import sys
from collections import Counter
from itertools import combinations
from math import inf

import pytest
from air_shops import AIR, random_tree, solver, square_law, stations, three_branches, twelve_gates
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace
from odd_shops import odd_shop

from gatehand_air import many
from gatehand_air.batch import CELLS, Batch
from gatehand_air.batch_answer import is_here
from gatehand_air.batch_laws import LAWS as ARRAY_LAWS
from gatehand_air.batch_laws import FanArrays, Floats, LawArrays
from gatehand_air.batch_spread import Judge, spreads
from gatehand_air.ducting import Ducting, Short, Verdict
from gatehand_air.fan_curve import Curve, Filter
from gatehand_air.friction import LAWS, colebrook_loss, swamee_jain_loss
from gatehand_air.many import Asked, assess_all, look_at_all, verdicts
from gatehand_air.solve import BALANCE, Solution, Solver, SolveResult, Unsolved, Why
from gatehand_air.spread import CERTAIN, spread
from gatehand_air.tree import Network

np = pytest.importorskip("numpy", reason="numpy (extra 'air') is not installed")

AGREES = 1e-9
"""Relative; both take the same steps, so that all but odd cases agree to some 1e-15."""


def some_sets(network: Network, rng: random.Random, most: int) -> list[frozenset[str]]:
    """Nothing open, everything, and random ones."""
    gates = sorted(network.gates)
    drawn = [frozenset(gate for gate in gates if rng.random() < 0.5) for _ in range(most)]
    return [frozenset(), frozenset(gates), *drawn]


def same(one: SolveResult, other: SolveResult) -> None:
    """Hold one answer against the other, figure by figure."""
    if isinstance(one, Unsolved):
        assert isinstance(other, Unsolved)
        assert (one.why, one.limit) == (other.why, other.limit)
        assert (one.bound is None) == (other.bound is None)
        if one.bound is not None and other.bound is not None:
            same(one.bound, other.bound)
        return
    assert isinstance(other, Solution)
    assert one.ducts == other.ducts
    assert other.through == pytest.approx(one.through, rel=AGREES)
    assert other.behind == pytest.approx(one.behind, rel=AGREES, abs=1e-12 * max(one.behind))
    assert other.flow == other.through[-1]
    # On an upright piece of the curve the flow's last digit is worth more than 1e-9 of the pressure.
    assert other.pressure == pytest.approx(one.pressure, rel=2 * BALANCE)
    assert other.filter_loss == pytest.approx(one.filter_loss, rel=AGREES)
    assert other.residual <= 1e-8


def compare(shop: Solver, sets: list[frozenset[str]]) -> Counter[Why | None]:
    """Every set by both. Returns how many had which kind of answer."""
    answers = Batch(shop).solve(sets)
    assert len(answers) == len(sets)
    for at, gates in enumerate(sets):
        same(shop.solve(gates), answers.result(at))
    return Counter(map(answers.why, range(len(sets))))


def test_the_batch_and_the_plain_solver_agree_on_random_trees() -> None:
    seen: Counter[Why | None] = Counter()
    for seed in range(278):
        rng = random.Random(seed)
        filter_ = Filter(rng.choice([0.0, 1500.0, 20_000.0]), rng.choice([1.0, 1.5, 2.0]))
        law = colebrook_loss if seed % 5 == 0 else swamee_jain_loss
        shop = replace(solver(rng.choice([random_tree, stations])(rng)), filter=filter_, law=law)
        seen += compare(shop, some_sets(shop.network, rng, 6))
    assert seen[None] > 1500
    assert seen[Why.ALL_SHUT] > 100


def test_the_batch_and_the_plain_solver_agree_where_the_curve_ends_bends_or_stands_upright() -> None:
    seen: Counter[Why | None] = Counter()
    bracketed = 0
    for seed in range(80):
        shop = odd_shop(seed)
        sets = some_sets(shop.network, random.Random(seed), 2)
        seen += compare(shop, sets)
        bracketed += sum(isinstance(a := shop.solve(gates), Solution) and a.rounds > 20 for gates in sets)
    assert seen.keys() == {None, Why.ALL_SHUT, Why.BEYOND_CURVE, Why.BEFORE_CURVE}
    assert bracketed > 5, "no set was handed to the plain solver"


def test_how_many_sets_go_through_at_once_changes_nothing() -> None:
    shop = solver(stations(random.Random(4)))
    sets = some_sets(shop.network, random.Random(1), 40)
    whole = Batch(shop).solve(sets)
    for cells in (1, 100):
        small = Batch(shop, cells).solve(sets)
        assert np.array_equal(small.live, whole.live)
        assert np.array_equal(small.rounds, whole.rounds)
        assert small.flows == pytest.approx(whole.flows, rel=1e-14)
    parts = list(Batch(shop, 100).parts(sets))
    assert len(parts) > 3
    assert np.concatenate([part.flows for _, part in parts]) == pytest.approx(whole.flows, rel=1e-14)
    assert [at for these, _ in parts for at in range(these.start, these.stop)] == list(range(len(sets)))


def test_arrays_are_sets_by_ducts_and_zero_where_no_air_is() -> None:
    shop = solver(three_branches())
    answers = Batch(shop).solve([["b1"], [], ["b1", "b3", "no_such_gate"]])
    assert answers.flows.shape == answers.suctions.shape == answers.live.shape == (3, 5)
    assert answers.ducts == tuple(duct.name for duct in shop.network.ducts)
    assert np.array_equal(answers.flows > 0, answers.live)
    assert not answers.live[1].any()
    assert answers.known.tolist() == [True, False, True]
    assert answers.result(1) == Unsolved(Why.ALL_SHUT)
    assert len(Batch(shop).solve([])) == 0


def test_memory_beyond_the_answers_does_not_grow_with_the_sets() -> None:
    """The arrays at work are at most `CELLS` long: twenty of them are less than this peak."""
    import tracemalloc

    batch = Batch(solver(twelve_gates()))
    opened = np.random.default_rng(1).random((20_000, 12)) < 0.5
    tracemalloc.start()
    answers = batch.solve_opened(opened)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    kept = sum(getattr(answers, name).nbytes for name in answers.__struct_fields__[1:-1])
    assert kept > 6_000_000
    assert peak - kept < 40 * CELLS * 8


@pytest.mark.parametrize("seed", range(12))
def test_spreads_agree_with_the_plain_ones(seed: int) -> None:
    rng = random.Random(seed)
    shop = odd_shop(seed) if seed % 2 else replace(solver(stations(rng)), filter=Filter(1500.0))
    sets = some_sets(shop.network, rng, 5)
    batch = Batch(shop)
    answers = batch.solve(sets)
    found = spreads(batch, batch.opened(sets), answers)
    assert found.flows.shape == answers.flows.shape
    for at, gates in enumerate(sets):
        result = shop.solve(gates)
        answer = result if isinstance(result, Solution) else result.bound
        if answer is None:
            assert not found.flows[at].any()
            continue
        plain = spread(shop, gates, answer)
        assert dict(zip(answer.ducts, found.flows[at, answers.live[at]].tolist(), strict=True)) == pytest.approx(
            dict(plain.flows), rel=AGREES
        )
        assert found.suction[at] == pytest.approx(plain.suction, rel=AGREES)


def drawn_ducting(seed: int) -> Ducting:
    """A shop whose wants are near what it gives, and whose curve may end too early."""
    rng = random.Random(seed)
    network = stations(rng)
    ends = {end.name for end in network.ends}
    fast = [
        replace(duct, dust_velocity=rng.choice([None, None, 8.0, 16.0])) if duct.name in ends else duct
        for duct in network.ducts
    ]
    short, late = Curve(((0.0, 2400.0), (0.15, 2000.0))), Curve(((0.2, 1500.0), (0.5, 300.0)))
    curve = rng.choice([square_law(2400, 8000), square_law(2400, 8000), short, late])
    dirty = Filter(rng.choice([500.0, 3000.0]))
    whole = Solver(network, square_law(2400, 8000), dirty, AIR).solve(network.gates)
    assert isinstance(whole, Solution)
    return Ducting(
        network=Network(tuple(fast)),
        fan=curve,
        clean_filter=Filter(500.0),
        dirty_filter=dirty,
        air=AIR,
        hood_flows={
            name: whole.flows[name] * rng.choice([0.9, 1.0, 1.05, 1.1, 1.2])
            for name in sorted(ends)
            if rng.random() < 0.5
        },
        branch_velocity=rng.choice([0.0, 3.0, 9.0]),
        main_velocity=rng.choice([3.0, 8.0]),
        law=colebrook_loss if seed % 4 == 0 else swamee_jain_loss,
    )


def asked_of(shop: Ducting, rng: random.Random) -> list[Asked]:
    hoods = sorted(end.name for end in shop.network.ends)
    some = [frozenset(hood for hood in hoods if rng.random() < 0.5) for _ in range(6)]
    sets = some_sets(shop.network, rng, 4)
    return [*zip(sets, some, strict=True), *((gates, None) for gates in sets)]


def facts(short: Short) -> tuple[object, ...]:
    return short.lack, short.where, short.wanted, short.verdict, short.settles, short.dirty


def hold_shorts(one: tuple[Short, ...], other: tuple[Short, ...]) -> None:
    assert list(map(facts, one)) == list(map(facts, other))
    for a, b in zip(one, other, strict=True):
        assert b.found == pytest.approx(a.found, rel=AGREES)
        assert b.spread == pytest.approx(a.spread, rel=AGREES)
        assert (a.answer is None) == (b.answer is None)
        if a.answer is not None and b.answer is not None:
            same(a.answer, b.answer)


def test_both_ways_of_a_ducting_say_the_same() -> None:
    seen: Counter[Verdict] = Counter()
    for seed in range(40):
        shop = drawn_ducting(seed)
        asked = asked_of(shop, random.Random(seed))
        plain, arrays = (look_at_all(shop, asked, arrays=way) for way in (False, True))
        for one, other in zip(plain, arrays, strict=True):
            same(one.answer, other.answer)
            hold_shorts(one.shorts, other.shorts)
            assert {n: v for n, v in other.half.items() if v} == pytest.approx(dict(one.half), rel=AGREES)
            assert other.slack == pytest.approx(one.slack, rel=AGREES)
        fast, slow = (verdicts(shop, asked, arrays=way) for way in (True, False))
        assert [verdict for verdict, _ in fast] == [verdict for verdict, _ in slow] == [one.worst for one in plain]
        assert [slack for _, slack in fast] == [one.slack for one in arrays]
        seen += Counter(verdict for verdict, _ in fast)
    assert set(seen) == set(Verdict)
    assert min(seen.values()) > 15, seen


def test_all_assessed_together_are_as_each_by_itself() -> None:
    filters = 0
    for seed in range(10):
        shop = drawn_ducting(seed)
        filters += shop.dirty is not shop.clean
        asked = asked_of(shop, random.Random(seed))
        alone = tuple(shop.assess(gates, dusty) for gates, dusty in asked)
        assert assess_all(shop, asked, arrays=False) == alone
        for one, other in zip(alone, assess_all(shop, asked, arrays=True), strict=True):
            assert (one.gates, one.dusty) == (other.gates, other.dusty)
            same(one.clean, other.clean)
            same(one.dirty, other.dirty)
            hold_shorts(one.shorts, other.shorts)
    assert 0 < filters < 10


def test_slack_is_the_least_part_of_what_is_wanted() -> None:
    """The sign of what is short: below 1 something is below what it wants, whatever the spread says."""
    for seed in range(10):
        shop = replace(drawn_ducting(seed), ignorance=CERTAIN)
        for look in look_at_all(shop, asked_of(shop, random.Random(seed)), arrays=True):
            if isinstance(look.answer, Solution):
                assert (look.slack < 1 - 1e-6) == any(short.verdict is Verdict.SHORT for short in look.shorts)
                if look.shorts:
                    assert look.slack == pytest.approx(min(short.share for short in look.shorts))
            else:
                assert look.slack == 0.0


def test_numpy_is_taken_where_it_is_here_and_pays(monkeypatch: pytest.MonkeyPatch) -> None:
    shop = drawn_ducting(3)
    asked = asked_of(shop, random.Random(3))
    made: list[Ducting] = []

    class Watched(Judge):
        def __init__(self, ducting: Ducting, solver: Solver) -> None:
            made.append(ducting)
            super().__init__(ducting, solver)

    monkeypatch.setattr(many, "Judge", Watched)
    assert is_here()
    look_at_all(shop, asked)
    assert not made, "a list this short does not pay"
    look_at_all(shop, asked * 3)
    assert len(made) == 1
    monkeypatch.setattr(many, "is_here", lambda: False)
    assert assess_all(shop, asked * 3) == tuple(shop.assess(gates, dusty) for gates, dusty in asked * 3)
    assert len(made) == 1
    monkeypatch.undo()
    monkeypatch.setattr(many, "Judge", Watched)
    monkeypatch.delitem(sys.modules, "numpy")
    look_at_all(shop, asked * 3)
    assert len(made) == 1, "with the import it does not pay yet"


def test_every_law_has_its_arrays_and_another_goes_the_plain_way() -> None:
    assert set(ARRAY_LAWS) == set(LAWS.values())

    def dearer(duct: object, flow: float) -> tuple[float, float]:
        lost, slope = swamee_jain_loss(duct, flow)  # type: ignore[arg-type]
        return 1.1 * lost, 1.1 * slope

    shop = replace(drawn_ducting(3), law=dearer)
    assert assess_all(shop, [(["x0"], None)], arrays=True) == (shop.assess(["x0"]),)
    with pytest.raises(ValueError, match="not one of"):
        Batch(shop.clean)


@pytest.mark.parametrize("name", sorted(LAWS))
@settings(max_examples=60)
@given(st.integers(0, 10**9))
def test_loss_and_slope_are_the_plain_laws(name: str, seed: int) -> None:
    """From creeping air to a gale, across both edges of the transition."""
    rng = random.Random(seed)
    shop = solver(random_tree(rng))
    law, laws = LAWS[name], Batch(shop).laws
    flows = np.array([[10 ** rng.uniform(-9, 1) for _ in range(5)] for _ in shop.laws])
    lost, slope = ARRAY_LAWS[law](laws, flows)
    for at, duct in enumerate(shop.laws):
        for place, flow in enumerate(flows[at].tolist()):
            assert (lost[at, place], slope[at, place]) == pytest.approx(law(duct, flow), rel=1e-12)


@settings(max_examples=60)
@given(st.integers(0, 10**9))
def test_fan_and_filter_are_the_plain_ones_also_beyond_the_ends(seed: int) -> None:
    rng = random.Random(seed)
    shop = odd_shop(seed)
    width = shop.fan.last - shop.fan.first
    flows = [shop.fan.first - width * rng.random() * 0.2, *(shop.fan.last * rng.uniform(0.01, 1.3) for _ in range(6))]
    flows += [flow for flow, _ in shop.fan.points]
    air = np.array([abs(flow) + 1e-12 for flow in flows])
    given_, slopes = FanArrays(shop.fan, shop.filter).given(air)
    lost, falls = FanArrays(shop.fan, shop.filter).lost(air)
    for at, flow in enumerate(air.tolist()):
        top = 1e-12 * shop.fan.points[0][1]
        assert given_[at] == pytest.approx(shop.fan.at(flow)[0], rel=1e-9, abs=top)
        assert slopes[at] == pytest.approx(shop.fan.at(flow)[1], rel=1e-9, abs=top / width)
        assert (lost[at], falls[at]) == pytest.approx(shop.filter.at(flow), rel=1e-12)


def test_what_does_not_balance_here_is_given_to_the_plain_solver() -> None:
    """The check itself: a law that says something else each time it is asked is never believed."""
    shop = solver(three_branches())
    batch = Batch(shop)
    calls = 0
    true = batch.law

    def shifty(laws: LawArrays, flows: Floats) -> tuple[Floats, Floats]:
        nonlocal calls
        calls += 1
        lost, slope = true(laws, flows)
        return lost * (1 + 1e-3 * (calls % 7)), slope

    vars(batch)["law"] = shifty
    sets = [["b1", "b2"], ["b3"], []]
    answers = batch.solve(sets)
    assert calls > 20
    assert [answers.result(at) for at in range(3)] == [shop.solve(gates) for gates in sets]


def test_what_nobody_has_an_answer_for_is_told_as_unknown() -> None:
    """A fan that gives less than nothing at no flow at all: neither solver finds any."""
    shop = replace(solver(three_branches()), fan=Curve(((0.0, -5.0), (0.5, -90.0))))
    batch = Batch(shop)
    answers = batch.solve([["b1"], []])
    assert [answers.result(at) for at in range(2)] == [Unsolved(Why.NOT_CONVERGED), Unsolved(Why.ALL_SHUT)]
    assert answers.known.tolist() == [False, False]
    assert not answers.flows.any()
    assert not spreads(batch, batch.opened([["b1"], []]), answers).flows.any()


def test_every_pair_of_a_large_shop_by_both() -> None:
    shop = solver(twelve_gates())
    sets = [frozenset(chosen) for count in (1, 2, 11, 12) for chosen in combinations(sorted(shop.network.gates), count)]
    assert compare(shop, sets) == {None: 12 + 66 + 12 + 1}


def test_what_fails_and_how_long_dust_takes_are_the_same_both_ways() -> None:
    """Of shops with a curve that ends on either side; what falls short comes in the same order."""
    seen: Counter[Verdict] = Counter()
    times = endless = 0
    for seed in range(40):
        dice = random.Random(seed)
        network = stations(dice)
        fan = square_law(2400, 2000) if seed % 3 else odd_shop(seed).fan
        ducting = Ducting(
            network=network,
            fan=fan,
            clean_filter=Filter(300.0),
            dirty_filter=Filter(1500.0),
            air=AIR,
            hood_flows={end.name: dice.choice([0.05, 0.15, 0.3]) for end in network.ends},
            branch_velocity=dice.choice([5.0, 15.0, 20.0]),
            main_velocity=18.0,
        )
        sets = some_sets(network, dice, 6)
        asked: list[Asked] = [
            (gates, frozenset(dice.sample(sorted(b), dice.randint(0, len(b)))))
            for gates in sets
            if (b := network.behind(gates)) is not None
        ]
        shop = many.Many(ducting)
        plain = shop.fails(asked, arrays=False)
        for (shorts, slack), (others, other), look in zip(
            plain, shop.fails(asked, arrays=True), look_at_all(ducting, asked, arrays=False), strict=True
        ):
            assert shorts == tuple(short for short in look.shorts if short.fails)
            assert other == pytest.approx(slack, rel=AGREES)
            assert [(s.lack, s.where, s.verdict, s.settles) for s in others] == [
                (s.lack, s.where, s.verdict, s.settles) for s in shorts
            ]
            figures = [(s.found, s.wanted, s.spread) for s in shorts]
            assert [(s.found, s.wanted, s.spread) for s in others] == [pytest.approx(f, rel=1e-6) for f in figures]
            seen.update(short.verdict for short in shorts)
        for lower in (True, False):
            slow = shop.clearing_times(sets, lower=lower, arrays=False)
            for one, two in zip(slow, shop.clearing_times(sets, lower=lower, arrays=True), strict=True):
                assert two == pytest.approx(one, rel=1e-6)
                times += sum(time < inf for time in one.values())
                endless += sum(time == inf for time in one.values())
    assert seen[Verdict.SHORT] > 200
    assert seen[Verdict.UNKNOWN] > 10
    assert min(times, endless) > 100
