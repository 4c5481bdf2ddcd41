"""Which sets can be asked for, what falls short in them, and what is proposed."""

from collections.abc import Iterable, Sequence
from itertools import combinations

import pytest
from shop_files import US, config_of, shop_text

from gatehand.air.analysis import analyse, propose
from gatehand.air.duct_model import DuctSystem, duct_systems
from gatehand_air.cures import INCHES, assist, max_open, next_size, run_on
from gatehand_air.ducting import Ducting, Lack, Short
from gatehand_air.gate_sets import Admit, Asker, GateDemand, gate_sets
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


def shorts_of(ducting: Ducting, gates: Iterable[str], dusty: Iterable[str] | None = None) -> tuple[Short, ...]:
    """What fails with the dirty filter and dust at these gates."""
    opened = set(gates)
    hoods = ducting.network.behind(opened if dusty is None else set(dusty))
    found = ducting.shorts(ducting.dirty, opened, ducting.dirty.solve(opened), hoods)
    return tuple(short for short in found if short.fails)


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


def test_max_open_is_the_most_that_any_set_bears(system: DuctSystem) -> None:
    found = max_open(system.ducting, system.gates)
    assert found.gates is not None
    assert found.fails is not None
    assert len(found.fails) == found.gates + 1
    assert found.shorts
    served = sorted(system.gates - found.unserved)
    ends = {end.name for end in system.ducting.network.ends}
    for gates in combinations(served, found.gates):
        shorts = shorts_of(system.ducting, gates)
        assert not [s for s in shorts if s.lack is Lack.HOOD_FLOW or s.where in ends]


def test_max_open_without_limits_is_all() -> None:
    easy = duct_systems(
        config_of(
            shop_text(
                US.replace('units = "us"', 'units = "us"\nmin_velocity = 10\nmain_velocity = 10').replace(
                    "flow = ", "flow = 0.0"
                )
            )
        )
    )[0]
    found = max_open(easy.ducting, easy.gates - {"planing"})
    assert (found.gates, found.fails) == (4, None)


def light(text: str) -> str:
    """The shop for light dust: 2,500 ft/min in branches, so that an assist gate can cure the main."""
    return text.replace('units = "us"', 'units = "us"\nmin_velocity = 2500\nmain_velocity = 3500')


def test_assist_is_the_smallest_set_that_cures() -> None:
    one = duct_systems(
        config_of(shop_text(light(US).replace("diameter = 2.5", "diameter = 3").replace("flow = 150", "flow = 100")))
    )[0]
    found = assist(one.ducting, {"bench"}, {"bench_port"}, one.clean_air)
    assert found is not None
    assert found.cures
    others = sorted(one.gates - {"bench"})
    for count in range(1, len(found.gates)):
        for chosen in combinations(others, count):
            assert shorts_of(one.ducting, {"bench", *chosen}, {"bench"}), "a smaller set would have cured it"
    assert not shorts_of(one.ducting, {"bench"} | found.gates, {"bench"})


def test_assist_prefers_a_gate_without_a_tool() -> None:
    text = shop_text(light(US).replace("diameter = 2.5", "diameter = 3").replace("flow = 150", "flow = 100"))
    one = duct_systems(config_of(text))[0]
    assert one.clean_air == {"sweep", "bench"}
    cures = [g for g in one.gates - {"bench"} if not shorts_of(one.ducting, {"bench", g}, {"bench"})]
    assert len(cures) > 1
    for gate in cures:
        found = assist(one.ducting, {"bench"}, {"bench_port"}, {gate})
        assert found is not None
        assert found.gates == {gate}


def test_nothing_slow_needs_no_assist(system: DuctSystem) -> None:
    assert assist(system.ducting, {"band_saw"}, {"band_saw_drop"}) is None


def test_run_on_covers_spin_down_and_twice_the_clearing_time(system: DuctSystem) -> None:
    found = run_on(system.ducting, next(d for d in system.demands if d.name == "band_saw"), 12)
    assert found is not None
    answer = system.ducting.dirty.solve({"band_saw"})
    assert isinstance(answer, Solution)
    speeds = system.ducting.velocities(answer)
    by_hand = 5 * 0.3048 / (0.5 * speeds["band_saw_drop"]) + 10 * 0.3048 / (0.5 * speeds["main"])
    assert found.clearing == pytest.approx(by_hand)
    assert 12 + 2 * by_hand + 1 <= found.least < 12 + 2 * by_hand + 2


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


def test_next_size_does_what_it_says() -> None:
    config = config_of(shop_text())
    one = duct_systems(config)[0]

    def resize(sizes: object) -> object:
        from gatehand.air.duct_model import duct_system as build

        return build(config, "main", sizes).ducting  # type: ignore[arg-type]

    router = next(demand for demand in one.demands if demand.name == "carving_router")
    sets = one.sets
    sizes = next_size(one.ducting, router, sets, INCHES, resize)  # type: ignore[arg-type]
    assert sizes
    for size in sizes:
        changed = resize(dict.fromkeys(size.ducts, size.diameter))
        answer = changed.dirty.solve(router.gates)  # type: ignore[attr-defined]
        assert changed.velocities(answer)[size.short.where] == pytest.approx(size.brings)  # type: ignore[attr-defined]
        assert size.enough == (size.brings >= size.short.wanted * (1 - 1e-6))
        assert size.brings > size.short.found


def test_a_hood_that_wants_more_is_told_which_duct_to_widen() -> None:
    starved = config_of(shop_text(US.replace("flow = 350", "flow = 700")))
    sizes = [s for s in propose(starved, duct_systems(starved)[0]).sizes if s.short.lack is Lack.HOOD_FLOW]
    assert [(size.ducts, round(size.diameter / 0.0254, 2), size.enough) for size in sizes] == [
        (("router_drop",), 5, True)
    ]


def test_every_set_of_the_report_is_solved_for_clean_and_dirty() -> None:
    config = config_of(shop_text())
    report = analyse(config, duct_systems(config)[0])
    assert len(report.views) == 5 + 10 + 1
    for view in report.views:
        assert isinstance(view.assessment.clean, Solution)
        assert isinstance(view.assessment.dirty, Solution)
        assert view.assessment.dirty.flow < view.assessment.clean.flow
    assert not report.views[-1].is_asked
