"""How much a filter and a machine may lose: against the exact law, and by putting the loss in and solving anew."""

import random

import pytest
from air_shops import AIR, random_tree, solver, square_law
from msgspec.structs import replace
from shop_files import US, config_of, shop_text

from gatehand.air.duct_model import duct_systems
from gatehand.air.fan_compare import both_fans
from gatehand.air.room import rooms
from gatehand_air.ducting import Ducting, Lack
from gatehand_air.fan_curve import Filter
from gatehand_air.friction import area
from gatehand_air.headroom import filter_room, machine_room
from gatehand_air.solve import Solution
from gatehand_air.tree import Duct, Network

A, B, R = 2400.0, 8000.0, 21810.018
"""The exact case of CHECKS C: the fan p = A - B Q^2 and equal branches p = R q^2, no friction."""


def equal_branches(wanted: float, speed: float = 1e-9) -> Ducting:
    """Two branches whose loss is all in one factor, on a main that loses nothing to speak of."""
    diameter = 0.1016
    factor = R * 2 * area(diameter) ** 2 / AIR.density
    ducts = [
        Duct(name=n, into="main", diameter=diameter, length=0, roughness=0, factor=factor, entry=0.0, gate=n)
        for n in ("a", "b")
    ]
    main = Duct(name="main", into=None, diameter=0.3, length=1e-9, roughness=0, factor=1e-9)
    return Ducting(
        network=Network((*ducts, main)),
        fan=square_law(A, B, 4000),
        clean_filter=Filter(),
        dirty_filter=Filter(),
        air=AIR,
        hood_flows={"a": wanted, "b": wanted},
        branch_velocity=speed,
        main_velocity=speed,
    )


@pytest.mark.parametrize(("gates", "wanted"), [(["a"], 0.2), (["a"], 0.25), (["a", "b"], 0.15)])
def test_the_filters_room_is_exact_in_the_exact_case(gates: list[str], wanted: float) -> None:
    """Hand's algebra: at Q = n q the fan gives A - B Q^2, the ducts take R q^2, the rest is the filter's."""
    found = filter_room(equal_branches(wanted), gates, gates)
    assert found is not None
    flow = len(gates) * wanted
    assert found.flow == pytest.approx(flow, rel=1e-6)
    assert found.loss == pytest.approx(A - B * flow**2 - R * wanted**2, rel=1e-4)
    assert found.lack is Lack.HOOD_FLOW


def test_the_machines_room_is_exact_in_the_exact_case() -> None:
    """What the fan gives at the flow wanted, less what the branch takes of it, may be lost in the machine."""
    found = machine_room(equal_branches(0.2), ["a"], ["a"], "a")
    assert found is not None
    assert found.flow == pytest.approx(0.2, rel=1e-6)
    assert found.loss == pytest.approx(A - B * 0.04 - R * 0.04, rel=1e-4)


def test_behind_a_main_that_is_as_good_as_shut_no_machine_is_told_its_room() -> None:
    """A diameter of 1e-6 mm, by a slip: what a machine lost changed no flow, and the command ended with a traceback."""
    model = equal_branches(0.2)
    root = replace(model.network.root, diameter=1e-9, length=5.0, roughness=9e-5)
    ends = (duct for duct in model.network.ducts if duct.into is not None)
    assert machine_room(replace(model, network=Network((*ends, root))), ["a"], ["a"], "a") is None


def test_what_falls_short_anyhow_has_no_room() -> None:
    short = equal_branches(0.4)
    found, machine = filter_room(short, ["a"], ["a"]), machine_room(short, ["a"], ["a"], "a")
    assert found is not None
    assert found.loss < 0
    assert machine is not None
    assert machine.loss + machine.spread < 0


@pytest.mark.parametrize("seed", range(12))
def test_with_the_loss_put_in_the_first_want_is_just_met(seed: int) -> None:
    """In random trees: a filter, or a machine, that loses just what it may leaves the least of all wants just met."""
    dice = random.Random(seed)
    shop = solver(random_tree(dice))
    gates = dice.sample(sorted(shop.network.gates), dice.randint(1, len(shop.network.gates)))
    hoods = shop.network.behind(gates)
    plain = shop.solve(gates)
    assert isinstance(plain, Solution)
    flows = {hood: dice.uniform(0.5, 0.9) * plain.flows[hood] for hood in hoods}
    ducting = Ducting(
        network=shop.network,
        fan=shop.fan,
        clean_filter=Filter(),
        dirty_filter=Filter(),
        air=AIR,
        hood_flows=flows,
        branch_velocity=1e-9,
        main_velocity=1e-9,
    )
    room = filter_room(ducting, gates, hoods)
    assert room is not None
    clogged = replace(ducting, dirty_filter=Filter(room.loss / room.flow**2)).dirty.solve(gates)
    assert isinstance(clogged, Solution)
    assert min(clogged.flows[hood] / flow for hood, flow in flows.items()) == pytest.approx(1, rel=1e-6)
    hood = min(hoods)
    machine = machine_room(ducting, gates, hoods, hood)
    assert machine is not None
    dearer = (
        replace(duct, machine=machine.loss / machine.flow**2 if duct.name == hood else None)
        for duct in shop.network.ducts
    )
    behind = replace(shop, network=Network(tuple(dearer))).solve(gates)
    assert isinstance(behind, Solution)
    assert behind.flows[hood] == pytest.approx(machine.flow, rel=1e-6)
    assert min(behind.flows[each] / flow for each, flow in flows.items()) == pytest.approx(1, rel=1e-6)


def test_the_filters_room_has_a_half_width_that_the_flow_explains() -> None:
    """A fan known to 7 % and nothing else unknown: the room is off by 7 % of the fan's pressure, exactly."""
    from gatehand_air.spread import CERTAIN

    ducting = replace(equal_branches(0.2), ignorance=replace(CERTAIN, fan=0.07))
    found = filter_room(ducting, ["a"], ["a"])
    assert found is not None
    assert found.spread == pytest.approx(0.07 * (A - B * 0.04), rel=1e-3)


def test_every_demand_has_its_room_and_a_better_fan_leaves_more() -> None:
    config = config_of(shop_text())
    (system,) = duct_systems(config)
    assert [room.demand.name for room in rooms(system)] == [demand.name for demand in system.demands]
    strong = config_of(shop_text(US.replace("11.0", "14.0").replace("10.4", "13.0").replace("8.1", "10.0")))
    both = both_fans(config.model_copy(update={"fan": {**config.fan, "strong": strong.fan["main"]}}), system, "strong")
    assert len(both) == len(system.sets)
    for one in both:
        own, other = one.own.assessment.dirty, one.other.assessment.dirty
        assert isinstance(own, Solution)
        assert isinstance(other, Solution)
        assert other.flow > own.flow
        if one.own.room is not None and one.own.room.filter is not None:
            assert one.other.room is not None
            assert one.other.room.filter is not None
            assert one.other.room.filter.loss > one.own.room.filter.loss
