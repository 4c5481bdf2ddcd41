"""Which sets can be asked for, and what falls short in them."""

import random
from collections.abc import Sequence
from itertools import combinations, permutations

import pytest
from msgspec.structs import replace
from shop_files import config_of, shop_text

from gatehand.air.analysis import analyse
from gatehand.air.duct_model import DuctSystem, duct_systems
from gatehand_air.ducting import Lack
from gatehand_air.gate_sets import Admit, Asker, GateDemand, gate_sets, orders
from gatehand_air.solve import Solution
from gatehand_rules.demand import admitted

CFM = 4.719474432e-4
FPM = 0.00508


def a(name: str, *gates: str, assist_: tuple[str, ...] = ()) -> GateDemand:
    return GateDemand(Asker.TOOL, name, frozenset(gates or (name,)), assist_, hoods=frozenset(gates or (name,)))


def rules(limit: int | None) -> Admit:
    """What the rules open with this `max_open`."""

    def admit(together: Sequence[GateDemand]) -> frozenset[str] | None:
        fitting = admitted([(one.gates, one.assist) for one in together], limit)
        whole = len(fitting) == len(together)
        return frozenset().union(*(together[i].gates.union(more) for i, more in fitting)) if whole else None

    return admit


def names(demands: list[GateDemand], max_open_: int | None) -> list[str]:
    return ["".join(sorted(one.gates)) for one in gate_sets(demands, rules(max_open_), max_open_)]


def test_sets_are_each_alone_then_pairs_then_more() -> None:
    demands = [a("x"), a("y"), a("z")]
    assert names(demands, None) == ["x", "y", "z", "xy", "xz", "yz"]
    assert names(demands, 2) == ["x", "y", "z", "xy", "xz", "yz"]
    assert names(demands, 1) == ["x", "y", "z"]
    assert names([a(n) for n in "wxyz"], 3)[-4:] == ["wxy", "wxz", "wyz", "xyz"]


def test_the_rules_trim_what_opens() -> None:
    """With room for one gate no assist gate opens; with room for three, it is the first one's that comes along."""
    saw, lathe = a("saw", "s", assist_=("w", "v")), a("lathe", "l", assist_=("u",))
    assert names([saw], 1) == ["s"]
    assert names([saw], 2) == ["sw"]
    assert names([saw, lathe], 3) == ["svw", "lu", "lsw", "lsu"]


def test_a_demand_that_never_fits_opens_nothing() -> None:
    assert names([a("wide", "x", "y"), a("z")], 1) == ["z"]


def test_a_set_asked_for_in_two_ways_stands_once() -> None:
    asked = gate_sets([a("jointer", "p"), a("sander", "p"), a("saw", "s")], rules(2), 2)
    assert ["".join(sorted(one.gates)) for one in asked] == ["p", "s", "ps"]
    assert len(asked[0].demands) == 2


def test_assist_gates_open_but_take_in_no_dust() -> None:
    one = gate_sets([a("saw", "s", assist_=("w",))], rules(None), None)[0]
    assert (one.gates, one.dusty) == (frozenset("sw"), frozenset("s"))


@pytest.fixture(name="system")
def the_system() -> DuctSystem:
    return duct_systems(config_of(shop_text()))[0]


def test_the_bench_alone_leaves_the_main_too_slow(system: DuctSystem) -> None:
    assessment = system.ducting.assess({"bench"})
    slow = [short for short in assessment.shorts if short.where == "main"]
    assert [short.lack for short in slow] == [Lack.SLOW_DUCT]
    assert slow[0].settles
    assert slow[0].found < 3000 * FPM < slow[0].wanted
    assert isinstance(assessment.clean, Solution)
    assert slow[0].found == pytest.approx(assessment.clean.flow / (3.141592653589793 / 4 * 0.1524**2))


def test_a_shortfall_only_with_a_dirty_filter_says_so(system: DuctSystem) -> None:
    found = [short for gates in combinations(system.gates, 2) for short in system.ducting.assess(gates).shorts]
    dirty = [short for short in found if short.dirty]
    assert dirty
    assert all(short.found < short.wanted for short in found if short.fails)
    assert all(abs(short.found - short.wanted) <= short.spread for short in found if not short.fails)


def test_time_to_clear_ten_metres_at_twenty_metres_a_second() -> None:
    # 10 m at 20 m/s: 0.50 s at s = 1, 1.0 s at s = 0.5 (sum of L / (s V), exact; s itself [memory])
    metric = """
[airflow]
units = "metric"
particle_speed = {}
[fan.main]
curve = [[0, 2400], [1000, 1000]]
[duct.hose]
diameter = 100
length = 10
gate = "sweep"
"""
    for share, seconds in ((1.0, 0.5), (0.5, 1.0)):
        one = duct_systems(config_of(shop_text(metric.format(share))))[0]
        answer = one.ducting.clean.solve({"sweep"})
        assert isinstance(answer, Solution)
        speed = one.ducting.velocities(answer)["hose"]
        assert one.ducting.clearing_time(answer, "hose") == pytest.approx(seconds * 20 / speed)


def test_every_set_of_the_report_is_solved_for_clean_and_dirty() -> None:
    config = config_of(shop_text())
    report = analyse(config, duct_systems(config)[0])
    assert len(report.views) == 5 + 10 + 1
    for view in report.views:
        assert isinstance(view.assessment.clean, Solution)
        assert isinstance(view.assessment.dirty, Solution)
        assert view.assessment.dirty.flow < view.assessment.clean.flow
    assert not report.views[-1].is_asked


def test_a_shop_asks_the_rules_and_a_limit_with_room_for_all_changes_nothing() -> None:
    """What is taken for granted where thousands of sets are looked through, against the rules, for drawn demands."""
    dice = random.Random(3)
    of = duct_systems(config_of(shop_text()))[0]
    trimmed = refused = 0
    for _ in range(1500):
        gates = [f"g{i}" for i in range(dice.randint(3, 7))]
        some = [
            a(f"t{i}", *dice.sample(gates, dice.randint(1, 2)), assist_=tuple(dice.sample(gates, dice.randint(0, 3))))
            for i in range(dice.randint(1, 3))
        ]
        every = frozenset().union(*(demand.gates.union(demand.assist) for demand in some))
        limit = dice.choice([None, *range(1, 8)])
        ways = {rules(limit)(order) for order in permutations(some)}
        assert ways == {replace(of, max_open=limit).admit(order) for order in permutations(some)}
        assert ways == {rules(limit)(order) for order in orders(tuple(some))}, "an order was left out that matters"
        if limit is None or len(every) <= limit:
            assert ways == {every}
        bare = [replace(demand, assist=()) for demand in some]
        assert (rules(limit)(bare) is None) == (None in ways), "an assist is waited for"
        trimmed += len(ways) > 1
        refused += None in ways
    assert trimmed > 20
    assert refused > 50
