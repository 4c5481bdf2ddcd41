"""Where a loss factor counts, what a step between two ducts costs, several hoods behind one gate, dust, machines, fans.

[pub] read in the source named · [calc] computed with a general-purpose library, independent of us. Hand calculations
stand beside the figures.
"""

import math
from pathlib import Path

import epanet_oracle
import pytest
from air_shops import AIR, FAN
from msgspec.structs import replace
from shop_files import config_of, gate_tables, head

from gatehand.air.duct_model import DuctSystem, duct_system, plain_fan, static_curve
from gatehand.config import load_text
from gatehand_air.ducting import Lack
from gatehand_air.fan_curve import Curve
from gatehand_air.fittings import DUSTS
from gatehand_air.properties import CFM, FPM, INCH_WATER, STANDARD, US
from gatehand_air.properties import METRIC as METRIC_UNITS
from gatehand_air.solve import Solution
from gatehand_air.tree import Duct, Network

POINTS = [(q, FAN[0] - FAN[1] * (q / 3600) ** 2) for q in range(0, 1961, 5)]
"""The fan of the published three-branch case, m3/h and Pa."""
METRIC = f"""
[airflow]
units = "metric"
temperature = 19.996
[fan.main]
curve = {[[q, round(p, 9)] for q, p in POINTS]}
[duct.main]
diameter = 152.4
length = 4
fittings = [{{ k = 0.5 }}]
"""


def system(ducts: str, gates: tuple[str, ...] = ("saws",)) -> DuctSystem:
    return duct_system(config_of(head() + gate_tables(*gates) + ducts), "main")


def one_drop(diameter: float, fittings: str, *, beside: str = "") -> Duct:
    """The solver's duct of a drop into the 152.4 mm main."""
    text = f'[duct.drop]\ninto = "main"\ndiameter = {diameter}\nlength = 3\ngate = "saws"\nfittings = {fittings}\n'
    return system(METRIC + text + beside).ducting.network.duct("drop")


BESIDE = '[duct.hose]\ninto = "main"\ndiameter = 101.6\nlength = 3\nhood = { flow = 500 }\n'


def pressure_lost(duct: Duct, flow: float) -> float:
    """By its fittings alone, Pa: the factor on the velocity pressure of the duct's own diameter."""
    return duct.factor * velocity_pressure(flow, duct.diameter)


def velocity_pressure(flow: float, diameter: float) -> float:
    """By the textbook, Pa: half the density times (4 Q / pi D^2) squared."""
    return 0.5 * 1.2041 * (4 * flow / math.pi / diameter**2) ** 2


def test_what_comes_after_a_reducer_counts_at_its_diameter() -> None:
    # A 2.5 in drop that ends in a 4 in gate and wye. At 0.1 m3/s: 31.58 m/s and 600.3 Pa in the drop, 12.33 m/s and
    # 91.6 Pa in the stub. Borda-Carnot 0.3714 x 600.3 = 222.9; (0.15 + 0.28) x 91.6 = 39.4; together 262.3 Pa.
    duct = one_drop(63.5, '[{ reducer = 101.6 }, "blade_gate", "wye_45"]', beside=BESIDE)
    assert pressure_lost(duct, 0.1) == pytest.approx(262.3, abs=0.1)
    # What stands before it counts in the drop: (0.15 + 0.28 + 0.3714) x 600.3.
    other = one_drop(63.5, '["blade_gate", { k = 0.28 }, { reducer = 101.6 }]', beside=BESIDE)
    assert pressure_lost(other, 0.1) == pytest.approx(481.0, abs=0.2)


def test_a_named_fitting_takes_its_factor_for_the_diameter_where_it_is() -> None:
    # ASHRAE CD3-1 [pub]: 0.21 at 100 mm, 0.11 at 200 mm.
    before = one_drop(100, '["elbow_90", { reducer = 200 }, { k = 0 }]', beside=BESIDE)
    after = one_drop(100, '[{ reducer = 200 }, "elbow_90"]', beside=BESIDE)
    plain = one_drop(100, "[{ reducer = 200 }]", beside=BESIDE)
    assert before.factor - plain.factor == pytest.approx(0.21)
    assert after.factor - plain.factor == pytest.approx(0.11 / 16)


def test_several_reducers_in_one_duct_are_each_on_what_came_before() -> None:
    # 80 to 100 to 160 mm: (1 - 0.64)^2 = 0.1296 on 80; (1 - 0.390625)^2 = 0.371338 on 100, x 0.8^4 = 0.4096 on 80; the
    # gate's 0.15 on 160, x 0.5^4.
    duct = one_drop(80, '[{ reducer = 100 }, { reducer = 160 }, "blade_gate"]', beside=BESIDE)
    step = pressure_lost(one_drop(160, '["blade_gate"]', beside=BESIDE), 0.1)  # 160 into 152.4 costs the same there
    assert duct.factor * velocity_pressure(0.1, 0.08) == pytest.approx(
        (0.1296 + 0.371338 * 0.4096) * velocity_pressure(0.1, 0.08) + step
    )


def test_a_wider_duct_into_a_narrower_one_squeezes_on_the_narrower_ones_pressure() -> None:
    # fluids 1.3.1, Rennels' sharp contraction 4 to 2.5 in [calc; CHECKS B]: 0.420 on the smaller pipe.
    drop = '[duct.drop]\ninto = "main"\ndiameter = 101.6\nlength = 3\ngate = "saws"\n'
    into = METRIC.replace("diameter = 152.4", "diameter = 63.5")
    for beside in ("", BESIDE.replace("101.6", "63.5")):
        duct = system(into + drop + beside).ducting.network.duct("drop")
        assert pressure_lost(duct, 0.05) == pytest.approx(0.420 * velocity_pressure(0.05, 0.0635), rel=1e-3)


def test_the_only_duct_into_a_wider_one_loses_its_velocity() -> None:
    # Borda-Carnot, 2.5 to 4 in: (1 - b^2)^2 = 0.371 exactly, on the smaller pipe [CHECKS B].
    drop = '[duct.drop]\ninto = "main"\ndiameter = 63.5\nlength = 3\ngate = "saws"\n'
    into = METRIC.replace("diameter = 152.4", "diameter = 101.6")
    assert system(into + drop).ducting.network.duct("drop").factor == pytest.approx(0.371, abs=5e-4)
    # Where another one joins, the wyes have the loss and the straight run goes free.
    assert system(into + drop + BESIDE).ducting.network.duct("drop").factor == 0


def test_after_a_reducer_it_is_the_reducers_diameter_that_meets_the_next_duct() -> None:
    assert one_drop(63.5, "[{ reducer = 152.4 }]").factor == pytest.approx((1 - (63.5 / 152.4) ** 2) ** 2)
    stepped = one_drop(63.5, "[{ reducer = 101.6 }]")  # and then alone from 101.6 to 152.4
    first, then = (1 - (63.5 / 101.6) ** 2) ** 2, (1 - (101.6 / 152.4) ** 2) ** 2
    assert stepped.factor == pytest.approx(first + then * (63.5 / 101.6) ** 4)


STATION = """
[duct.station]
into = "main"
diameter = 101.6
length = 3
fittings = ["blade_gate", { k = 0.28 }]
gate = "saws"
[duct.big_saw]
into = "station"
diameter = 101.6
length = 2
hood = { entry = 0.49, tool = "big_saw" }
[duct.small_saw]
into = "station"
diameter = 63.5
length = 2
fittings = [{ k = 0.2 }, { reducer = 101.6 }, { k = 0.28 }]
hood = { entry = "plain", tool = "small_saw" }
[duct.chop_saw]
into = "station"
diameter = 127
length = 1
fittings = [{ k = 0.3 }]
hood = { entry = "plain", tool = "chop_saw" }
"""
SAWS = "".join(
    f'[tool.{name}]\ngates = ["saws"]\ncurrent = {{ topic = "t/{name}" }}\nstart_amps = 2\n'
    for name in ("big_saw", "small_saw", "chop_saw")
)


@pytest.mark.skipif(
    epanet_oracle.missing() is not None, reason=f"{epanet_oracle.missing()}; the comparison with EPANET is not made"
)
def test_three_saws_behind_one_gate_are_what_epanet_finds_with_each_fitting_on_a_pipe_of_its_own(
    tmp_path: Path,
) -> None:
    ours = system(METRIC + STATION + SAWS)
    answer = ours.ducting.assess({"saws"}).clean
    assert isinstance(answer, Solution)

    def pipe(name: str, into: str | None, size: tuple[float, float], factor: float, entry: float | None = None) -> Duct:
        made = Duct(name=name, into=into, diameter=size[0], length=size[1], roughness=9e-5, factor=factor)
        return made if entry is None else replace(made, gate=name, entry=entry)

    stub = 1e-3  # m: what is next to no length, which the engine would refuse
    apart = Network(
        (
            pipe("main", None, (0.1524, 4), 0.5),
            pipe("station", "main", (0.1016, 3), 0.15 + 0.28 + (1 - (101.6 / 152.4) ** 2) ** 2),
            pipe("big_saw", "station", (0.1016, 2), 0, 0.49),
            pipe("small_stub", "station", (0.1016, stub), 0.28),
            pipe("small_saw", "small_stub", (0.0635, 2), 0.2 + 0.37134, 0.93),  # Borda-Carnot
            pipe("neck", "station", (0.1016, stub), 0.23034),  # fluids 1.3.1, Rennels, 127 to 101.6 mm [calc]
            pipe("chop_saw", "neck", (0.127, 1), 0.3, 0.93),
        )
    )
    engine = epanet_oracle.Engine(apart, FAN, AIR, tmp_path, 1e-8)
    try:
        theirs = engine.solve({"big_saw", "small_saw", "chop_saw"})
    finally:
        engine.close()
    for name, flow in answer.flows.items():
        assert flow == pytest.approx(theirs[name], rel=5e-4), name


def test_a_shop_with_a_station_loads_without_a_word_and_each_saw_has_its_own_hood() -> None:
    text = head() + gate_tables("saws") + METRIC + STATION + SAWS
    loaded = load_text(text, Path("config.toml"))
    said = [str(problem) for problem in loaded.problems]
    assert len(said) == 2, said  # of the two steps that the station has, and no reducer for them
    assert "station.diameter: it is 101.6 mm wide and opens into 'main', which is 152.4 mm, as the only duct" in said[0]
    assert "chop_saw.diameter: it is 127 mm wide and runs into 'station', which is 101.6 mm" in said[1]
    ours = system(METRIC + STATION + SAWS)
    assert {demand.name: set(demand.hoods) for demand in ours.demands if demand.asker == "tool"} == {
        name: {name} for name in ("big_saw", "small_saw", "chop_saw")
    }


def test_transport_velocities_are_the_published_ones() -> None:
    # ACGIH Industrial Ventilation, minimum duct design velocities [pub]: wood flour 2500 to 3000, light shavings 3000
    # to 4000, heavy or wet sawdust and wood blocks 4000 to 4500 ft/min.
    found = {name: (dust.settles / FPM, dust.wanted / FPM) for name, dust in DUSTS.items()}
    wanted = {"fine": (2500, 3000), "shavings": (3000, 4000), "heavy": (4000, 4500)}
    assert found == {name: pytest.approx(pair) for name, pair in wanted.items()}
    assert all("[pub]" in dust.source and "ACGIH" in dust.source for dust in DUSTS.values())


def dusty(big: str, small: str) -> DuctSystem:
    ducts = STATION.replace('tool = "big_saw"', f'tool = "big_saw"{big}').replace(
        'tool = "small_saw"', f'tool = "small_saw"{small}'
    )
    return system(METRIC + ducts + SAWS)


def test_a_duct_wants_what_the_most_demanding_dust_in_it_wants() -> None:
    of = dusty(', dust = "heavy"', ', dust = "fine"').ducting
    both = of.wanted_for({"big_saw", "small_saw"})
    assert both == pytest.approx({"big_saw": 22.86, "small_saw": 15.24, "station": 22.86, "main": 22.86})
    assert of.wanted_for({"small_saw"}) == pytest.approx({"small_saw": 15.24, "station": 15.24, "main": 15.24})
    # Without `dust` the configured velocities hold: 20 m/s in branches, 18 in what carries three hoods of four.
    assert of.settling_for({"big_saw", "small_saw"})["main"] == pytest.approx(4000 * FPM)
    unnamed = of.wanted_for({"small_saw", "chop_saw"})
    assert unnamed == pytest.approx({"small_saw": 15.24, "chop_saw": 20, "station": 18, "main": 18})


def test_dust_settles_below_the_lower_end_of_its_range() -> None:
    heavy, fine = (dusty(f', dust = "{kind}"', "").ducting for kind in ("heavy", "fine"))
    for of, below in ((heavy, 4000 * FPM), (fine, 2500 * FPM)):
        assert of.settling_for({"big_saw"})["station"] == pytest.approx(below)
    slow = {s.where: s for s in heavy.assess({"saws"}, {"big_saw"}).shorts if s.lack is Lack.SLOW_DUCT}
    assert slow["main"].settles
    assert 2500 * FPM < slow["main"].found < 4000 * FPM
    assert not any(short.settles for short in fine.assess({"saws"}, {"big_saw"}).shorts)


def test_a_trunk_that_carries_most_is_a_main() -> None:
    def tree(on_trunk: int, beside: int) -> Network:
        ducts: list[tuple[str, str | None, float | None]] = [("root", None, None), ("trunk", "root", None)]
        ducts += [(f"t{i}", "trunk", 0.5) for i in range(on_trunk)] + [(f"r{i}", "root", 0.5) for i in range(beside)]
        made = (
            Duct(
                name=name, into=into, diameter=0.1, length=1, roughness=1e-4, entry=entry, gate=name if entry else None
            )
            for name, into, entry in ducts
        )
        return Network(tuple(made))

    assert tree(10, 2).mains() == {"root", "trunk"}
    assert tree(9, 3).mains() == {"root", "trunk"}
    assert tree(8, 4).mains() == tree(5, 2).mains() == {"root"}
    assert tree(1, 0).mains() == frozenset()


def test_the_loss_inside_a_machine_goes_with_the_square_of_flow_and_is_the_hoods() -> None:
    # 450 Pa at 400 m3/h is 36,450 Pa/(m3/s)^2; in a 101.6 mm duct that is a factor of 450 / 112.2 Pa = 4.01.
    def big_saw(more: str) -> tuple[Duct, float]:
        of = dusty(more, "").ducting
        answer = of.assess({"saws"}).clean
        assert isinstance(answer, Solution)
        return of.network.duct("big_saw"), answer.flows["big_saw"]

    duct, flow = big_saw(", machine_loss = { loss = 450, at = 400 }")
    assert duct.machine == pytest.approx(36_450)
    density = dusty("", "").ducting.air.density  # 1.2041 but for the digits that a temperature has
    as_entry = 0.49 + 450 / (velocity_pressure(400 / 3600, 0.1016) * density / 1.2041)
    by_entry = system(METRIC + STATION.replace("entry = 0.49", f"entry = {as_entry}") + SAWS).ducting
    answer = by_entry.assess({"saws"}).clean
    assert isinstance(answer, Solution)
    assert flow == pytest.approx(answer.flows["big_saw"], rel=1e-9)
    nothing, free = big_saw(", machine_loss = 0")
    unknown, same = big_saw("")
    assert (nothing.machine, unknown.machine) == (0, None)
    assert free == same > flow


def fan_of(more: str, curve: str) -> Curve:
    ducts = f'[fan.main]\ncurve = {curve}\n{more}\n[duct.main]\ndiameter = 6\nlength = 4\ngate = "saws"\n'
    return static_curve(config_of(head() + gate_tables("saws") + ducts).fan["main"], US)


def test_fan_static_pressure_is_the_suction_in_the_inlet_pipe_less_its_velocity_pressure() -> None:
    # FSP = SP out - SP in - VP in, fan total pressure less the velocity pressure out: AMCA's definition [pub]. By hand,
    # 800 cfm in a 6 in pipe, 0.19635 ft2: 4074.4 ft/min, (4074.4 / 4005)^2 = 1.035 in.w.g. [pub: CHECKS A8]; a gauge
    # that reads 9.0 leaves 7.965. At no flow it leaves all.
    curve = fan_of("measured = { inlet_pipe = 6 }", "[[0, 11.2], [800, 9.0], [1200, 5.2]]")
    assert [flow / CFM for flow, _ in curve.points] == pytest.approx([0, 800, 1200])
    pressures = [pressure / INCH_WATER for _, pressure in curve.points]
    assert pressures == pytest.approx([11.2, 7.965, 5.2 - 1.035 * 1.5**2], abs=2e-3)
    plain = fan_of('measured = "fan_static"', "[[0, 11.2], [800, 9.0], [1200, 5.2]]")
    assert plain == fan_of("", "[[0, 11.2], [800, 9.0], [1200, 5.2]]")


def test_a_fan_on_a_test_pipe_is_found_again_from_what_its_gauge_reads() -> None:
    # Total pressure balances: a fan of known static pressure draws through orifices of several sizes, the gauge in its
    # pipe reads the losses plus the velocity pressure there, and from those readings the same fan must come back.
    readings = []
    for entry in (400.0, 60.0, 20.0, 8.0, 3.0, 1.0):
        rig = f'[duct.pipe]\ninto = "main"\ndiameter = 152.4\nlength = 1\ngate = "saws"\nhood = {{ entry = {entry} }}\n'
        of = system(METRIC.replace("{ k = 0.5 }", "") + rig).ducting
        answer = of.clean.solve({"saws"})
        assert isinstance(answer, Solution)
        readings.append((answer.flow, of.suction(answer)))
    curve = Curve(tuple(readings)).from_inlet_pipe(0.1524, STANDARD)
    for flow, pressure in curve.points:
        assert pressure == pytest.approx(FAN[0] - FAN[1] * flow**2, rel=2e-3)
    assert readings[-1][1] - curve.points[-1][1] > 100  # what would be lost by taking one for the other, Pa


def test_the_fan_laws_are_those_of_a_published_exercise() -> None:
    # A university's exercise with its answers [pub]: 6000 cfm at 4 in.w.g. and 2000 a minute; at 1500 it moves 4500 cfm
    # at 2.25 in.w.g.
    curve = fan_of("speed = { curve = 2000, run = 1500 }", "[[0, 8], [6000, 4]]")
    assert curve.points[1] == pytest.approx((4500 * CFM, 2.25 * INCH_WATER))
    # The manual of a sheet-metal calculator [pub]: 15,300 cfm at 3.2 in.w.g. slowed to 14,000 cfm: 2.679311 in.w.g.
    slower = Curve(((0.0, 6.0), (15_300.0, 3.2))).at_speed(14_000 / 15_300)
    assert slower.points[1] == pytest.approx((14_000, 2.679311))


def test_a_gauge_in_the_pipe_is_read_at_the_speed_of_the_curve() -> None:
    curve = fan_of("measured = { inlet_pipe = 6 }\nspeed = { curve = 2000, run = 1000 }", "[[0, 10], [800, 9.0]]")
    assert curve.points[1] == pytest.approx((400 * CFM, 7.965 / 4 * INCH_WATER), rel=1e-3)


def test_readings_are_fitted_to_fan_static_pressure_at_the_fans_own_speed() -> None:
    ducts = METRIC.replace(
        "[duct.main]", "measured = { inlet_pipe = 400 }\nspeed = { curve = 2, run = 1 }\n[duct.main]"
    )
    drop = '[duct.drop]\ninto = "main"\ndiameter = 101.6\nlength = 3\ngate = "saws"\n'
    config = config_of(head() + gate_tables("saws") + ducts + drop)
    before = duct_system(config, "main").ducting.clean.solve({"saws"})
    assert isinstance(before, Solution)
    plain = plain_fan(config.fan["main"], METRIC_UNITS)
    assert (plain.measured, plain.speed) == (None, None)
    same = config.model_copy(update={"fan": {"main": plain}})
    after = duct_system(same, "main").ducting.clean.solve({"saws"})
    assert isinstance(after, Solution)
    assert after.flow == pytest.approx(before.flow, rel=1e-12)


def test_the_sweep_of_the_example_is_charged_for_a_gate_and_wye_of_4_in() -> None:
    # Charged at 2.5 in, they cost the sweep 14 % of its air.
    text = (Path(__file__).parents[2] / "config.example.toml").read_text("utf-8")
    flows = []
    for order in (
        '{ reducer = 4, angle = 40 }, "blade_gate", "wye_45"',
        '"blade_gate", "wye_45", { reducer = 4, angle = 40 }',
    ):
        said = text.replace('{ reducer = 4, angle = 40 }, "blade_gate", "wye_45"', order)
        answer = duct_system(config_of(said), "main").ducting.clean.solve({"sweep"})
        assert isinstance(answer, Solution)
        flows.append(answer.flow)
    assert flows[0] / flows[1] == pytest.approx(1.14, abs=0.02)
