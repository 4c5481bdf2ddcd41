"""Which sets can be asked for, what falls short in them, and what is proposed."""

from itertools import combinations

import pytest
from shop_files import US, config_of, shop_text

from gatehand.air.analysis import analyse, propose
from gatehand.air.duct_model import DuctSystem, duct_systems
from gatehand_air.cures import INCHES, assist, max_open, next_size, run_on
from gatehand_air.ducting import Asker, GateDemand, Lack, gate_sets
from gatehand_air.solve import Solution

CFM = 4.719474432e-4
FPM = 0.00508


def a(name: str, *gates: str, assist_: tuple[str, ...] = ()) -> GateDemand:
    return GateDemand(Asker.TOOL, name, frozenset(gates or (name,)), frozenset(assist_))


def names(demands: list[GateDemand], gates: str, max_open_: int | None) -> list[str]:
    return ["".join(sorted(one.gates)) for one in gate_sets(demands, frozenset(gates), max_open_)]


def test_sets_are_each_alone_then_pairs_then_all() -> None:
    demands = [a("x"), a("y"), a("z")]
    assert names(demands, "xyz", None) == ["x", "y", "z", "xy", "xz", "yz", "xyz"]
    assert names(demands, "xyz", 2) == ["x", "y", "z", "xy", "xz", "yz", "xyz"]
    assert names(demands, "xyz", 1) == ["x", "y", "z", "xyz"]
    assert names([a(n) for n in "wxyz"], "wxyz", 3)[-5:] == ["wxy", "wxz", "wyz", "xyz", "wxyz"]


def test_all_is_not_asked_for_where_max_open_forbids_it() -> None:
    everything = gate_sets([a("x"), a("y"), a("z")], frozenset("xyz"), 2)[-1]
    assert everything.demands == ()
    assert gate_sets([a("x"), a("y"), a("z")], frozenset("xyz"), 3)[-1].demands != ()


def test_a_set_asked_for_in_two_ways_stands_once() -> None:
    asked = gate_sets([a("jointer", "p"), a("sander", "p"), a("saw", "s")], frozenset("ps"), 2)
    assert ["".join(sorted(one.gates)) for one in asked] == ["p", "s", "ps"]
    assert len(asked[0].demands) == 2


def test_assist_gates_open_but_take_in_no_dust() -> None:
    one = gate_sets([a("saw", "s", assist_=("w",))], frozenset("sw"), None)[0]
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
    assert all(short.found < short.wanted for short in found)


def test_max_open_is_the_most_that_any_set_bears(system: DuctSystem) -> None:
    found = max_open(system.ducting, system.gates)
    assert found.gates is not None
    assert found.fails is not None
    assert len(found.fails) == found.gates + 1
    assert found.shorts
    served = sorted(system.gates - found.unserved)
    ends = {end.name for end in system.ducting.network.ends}
    for gates in combinations(served, found.gates):
        shorts = system.ducting.shorts(system.ducting.dirty.solve(gates), gates)
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
    found = assist(one.ducting, {"bench"}, {"bench"}, one.clean_air)
    assert found is not None
    assert found.cures
    others = sorted(one.gates - {"bench"})
    for count in range(1, len(found.gates)):
        for chosen in combinations(others, count):
            shorts = one.ducting.shorts(one.ducting.dirty.solve({"bench", *chosen}), {"bench"})
            assert shorts, "a smaller set would have cured it"
    cured = one.ducting.dirty.solve({"bench"} | found.gates)
    assert not one.ducting.shorts(cured, {"bench"})


def test_assist_prefers_a_gate_without_a_tool() -> None:
    text = shop_text(light(US).replace("diameter = 2.5", "diameter = 3").replace("flow = 150", "flow = 100"))
    one = duct_systems(config_of(text))[0]
    assert one.clean_air == {"sweep", "bench"}
    cures = [
        g for g in one.gates - {"bench"} if not one.ducting.shorts(one.ducting.dirty.solve({"bench", g}), {"bench"})
    ]
    assert len(cures) > 1
    for gate in cures:
        found = assist(one.ducting, {"bench"}, {"bench"}, {gate})
        assert found is not None
        assert found.gates == {gate}


def test_nothing_slow_needs_no_assist(system: DuctSystem) -> None:
    assert assist(system.ducting, {"band_saw"}, {"band_saw"}) is None


def test_run_on_covers_spin_down_and_twice_the_clearing_time(system: DuctSystem) -> None:
    found = run_on(system.ducting, a("band_saw"), 12)
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
        assert one.ducting.clearing_time(answer, "sweep") == pytest.approx(seconds * 20 / speed)


def test_next_size_does_what_it_says() -> None:
    config = config_of(shop_text())
    one = duct_systems(config)[0]

    def resize(sizes: object) -> object:
        from gatehand.air.duct_model import duct_system as build

        return build(config, "main", sizes).ducting  # type: ignore[arg-type]

    router = next(demand for demand in one.demands if demand.name == "carving_router")
    sets = gate_sets(one.demands, one.gates, one.max_open)
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
