"""The duct tables of the config: what is refused, with a message that stands alone, and what becomes of the rest."""

from pathlib import Path

import pytest
from shop_files import US, config_of, errors_of, shop_text

from gatehand.air.duct_model import duct_system, duct_systems, shop_air
from gatehand.config import load_text
from gatehand_air.fittings import KINDS, MATERIALS, factor, reducer

ROUTER = "duct.router_drop.material"


def test_the_shop_of_the_tests_is_without_errors() -> None:
    assert errors_of(shop_text()) == []


@pytest.mark.parametrize(
    ("find", "put", "where", "message"),
    [
        ("[400, 10.4]", "[400, 11.4]", "fan.main.curve", "leave out the points before the top"),
        ("[400, 10.4]", "[900, 10.4]", "fan.main.curve", "by rising flow"),
        ("dirty = 2.0", "dirty = 0.5", "fan.main.filter_loss.dirty", "a dirty filter loses more"),
        ("at = 800 }", "at = 800, exponent = 3 }", "fan.main.filter_loss.exponent", "exponent = 3"),
        ('"elbow_90"]\n\n[duct.row]', '"elbow90"]\n\n[duct.row]', "duct.main.fittings[0]", 'did you mean "elbow_90"?'),
        ('"elbow_90"]\n\n[duct.row]', "{ k = -1 }]\n\n[duct.row]", "duct.main.fittings[0].k", "0 or more"),
        ('"elbow_90"]\n\n[duct.row]', "{ angle = 30 }]\n\n[duct.row]", "duct.main.fittings[0]", "{ reducer = 4 }"),
        (
            'material = "flex"\nfittings = ["b',
            'material = "flux"\nfittings = ["b',
            ROUTER,
            'mean "flex"?',
        ),
        ('entry = "bell"', 'entry = "bel"', "duct.sweep_drop.hood.entry", 'did you mean "bell"?'),
        ('entry = "bell"', "entry = -0.1", "duct.sweep_drop.hood.entry", "0 or more"),
        ('entry = "bell"', "entry = nan", "duct.sweep_drop.hood.entry", "0 or more"),
        ("diameter = 2.5", "diameter = 0", "duct.bench_port.diameter", "above 0"),
        ("diameter = 2.5", "diameter = true", "duct.bench_port.diameter", "wanted a number"),
        ('gate = "bench"', 'gate = "bnch"', "duct.bench_port.gate", 'did you mean "bench"?'),
        ('gate = "bench"', 'gate = "sweep"', "duct.bench_port.gate", "is in duct 'sweep_drop' already"),
        ('gate = "bench"\n', 'gate = "bench"\nleak = { flow = 0, at = 4 }\n', "duct.bench_port.leak.flow", "above 0"),
        ('[duct.row]\ninto = "main"', '[duct.row]\ninto = "mian"', "duct.row.into", 'did you mean "main"?'),
        (
            '[duct.row]\ninto = "main"',
            '[duct.row]\ninto = "bench_port"',
            "duct.bench_port.hood",
            "a duct with a hood ends there",
        ),
        ("[duct.row]\n", "[duct.row]\nleak = { flow = 5, at = 4 }\n", "duct.row.leak", "names no gate"),
        ("[duct.main]\n", '[duct.main]\ninto = "row"\n', "duct.main.into", "comes back to it"),
        ("[fan.main]", "[fan.mian]", "fan.mian", 'collector "main" has no fan; did you mean "main"?'),
        ('tool = "sweep"', 'tool = "swep"', "duct.sweep_drop.hood.tool", 'did you mean "sweep"?'),
        (
            'units = "us"',
            'units = "us"\nparticle_speed = 1.5',
            "airflow.particle_speed",
            "dust is not faster than the air",
        ),
        ('units = "us"', 'units = "us"\ntemperature = 293', "airflow.temperature", "-40 to 176 F"),
        ('units = "us"', 'units = "us"\naltitude = 90000', "airflow.altitude", "19700 ft"),
        (
            "[400, 10.4], ",
            "[400, 10.4, 1], ",
            "fan.main.curve",
            "a list of 3; wanted points of [flow, static pressure]",
        ),
        ("curve = [[0, 11.0]", "curve = [0, [0, 11.0]", "fan.main.curve", "found 0; wanted points of [flow, static"),
        ("[400, 10.4]", "[900, 10.4]", "fan.main.curve", "by rising flow, each as [flow, static pressure]"),
        (
            '"elbow_90"]\n\n[duct.row]',
            "0.3]\n\n[duct.row]",
            "duct.main.fittings[0]",
            'found 0.3; a fitting is a name such as "elbow_90", or { k = 0.3 }',
        ),
        (
            '["elbow_90"]\n\n[duct.row]',
            '"elbow_90"\n\n[duct.row]',
            "duct.main.fittings",
            'wanted a list: fittings = ["elbow_90"]',
        ),
        (
            "[fan.main]\n",
            "[fan.main]\nspeed = { curve = 3450 }\n",
            "fan.main.speed.run",
            "run is missing (the speed at which it runs: flow goes with it, pressure with its square)",
        ),
        (
            'entry = "bell"',
            'entry = "bell", machine_loss = { loss = 1.8 }',
            "duct.sweep_drop.hood.machine_loss.at",
            "at is missing (the flow at which it was measured): it has no default",
        ),
        ("[fan.main]\n", "[fan.main]\nspeed = 2850\n", "fan.main.speed", "speed = { curve = ..., run = ... }"),
        (
            'gate = "bench"\n',
            'gate = "bench"\nleak = 5\n',
            "duct.bench_port.leak",
            "found 5; wanted a table: leak = { flow = ..., at = ... }",
        ),
        (
            'entry = "bell"',
            'entry = "bell", dust = ["fine", "shavings"]',
            "duct.sweep_drop.hood.dust",
            'wanted one of "fine", "shavings" and "heavy": that which settles first',
        ),
        (
            "[fan.main]\n",
            "[fan.main]\nmeasured = { inlet_pipe = 0.15 }\n",
            "fan.main.measured.inlet_pipe",
            " is 663,000 in.w.g., and no gauge there reads less suction",
        ),
    ],
)
def test_what_is_refused_says_where_and_what_is_wanted(find: str, put: str, where: str, message: str) -> None:
    text = shop_text()
    assert text.count(find) == 1
    found = errors_of(text.replace(find, put))
    assert any(at == where and message in said for at, said in found), found


def test_a_gate_named_again_on_its_own_way_is_to_be_left_out() -> None:
    (fault,) = errors_of(
        shop_text(
            US
            + '\n[duct.side]\ninto = "bench_port"\ndiameter = 2.5\nlength = 1\ngate = "bench"\n'
            + 'hood = { entry = "plain" }\n'
        ).replace('hood = { entry = "plain", flow = 150 }\n', "")
    )
    assert fault == (
        "duct.side.gate",
        (
            "gate 'bench' is in duct 'bench_port' already, on the way from 'side' to the fan, and there it is for all"
            " its hoods: leave it out here"
        ),
    )


def test_a_duct_that_ends_nowhere_is_refused() -> None:
    found = errors_of(shop_text(US + '\n[duct.stub]\ninto = "row"\ndiameter = 4\nlength = 1\n'))
    assert found == [("duct.stub", "no duct runs into it, so it needs a gate or a hood")]


def warned(text: str) -> list[tuple[str, str, str]]:
    """Code, where and what, of each warning of a config without errors."""
    loaded = load_text(text, Path("config.toml"))
    assert loaded.ok
    return [(problem.code, problem.where, problem.message) for problem in loaded.problems]


BENCH = 'fittings = [{ reducer = 4 }, "blade_gate", "wye_45"]'


@pytest.mark.parametrize(
    ("fittings", "code", "message"),
    [
        # The wye and the gate of a drop in the order of yesterday.
        (
            '["wye_45", { reducer = 4 }, "blade_gate"]',
            "fittings-order",
            "all else that is 4 in wide; here it counts at 2.5",
        ),
        # A wye between two reducers counts at the first one's diameter.
        (
            '[{ reducer = 3 }, "tee", { reducer = 4 }]',
            "fittings-order",
            "the tee last: list it after the reducer, with all else that is 4 in wide; here it counts at 3",
        ),
        ('[{ reducer = 4 }, { reducer = 4 }, "wye_45"]', "fittings-order", "4 in wide there already"),
        (
            '[{ reducer = 4 }, { reducer = 8 }, "wye_45"]',
            "sudden-step",
            "a sudden step; list { reducer = 6, angle = 30 } before its wye",
        ),
        ("[{ reducer = 8 }]", "sudden-step", "list { reducer = 6, angle = 30 } last among its fittings"),
    ],
)
def test_fittings_in_another_order_and_sudden_steps_are_told(fittings: str, code: str, message: str) -> None:
    text = shop_text()
    assert text.count(BENCH) == 1
    ((found, where, said),) = warned(text.replace(BENCH, f"fittings = {fittings}"))
    assert found == code
    assert where.startswith("duct.bench_port.fittings")
    assert message in said


@pytest.mark.parametrize(
    "fittings", ['[{ reducer = 3 }, { reducer = 4 }, "tee"]', "[{ reducer = 8 }, { reducer = 6 }]", "[]"]
)
def test_fittings_from_the_hood_to_the_fan_are_silent(fittings: str) -> None:
    assert warned(shop_text().replace(BENCH, f"fittings = {fittings}")) == []


@pytest.mark.parametrize("last", [False, True])
def test_one_gate_in_two_ducts_of_one_way_is_one_mistake(last: bool) -> None:
    row = '[duct.row]\ninto = "main"\ndiameter = 6\nlength = 8\n'
    assert row in US
    gated = f'{row}gate = "bench"\n'
    found = errors_of(shop_text(US.replace(row, "") + gated if last else US.replace(row, gated)))
    at = "row" if last else "bench_port"
    assert [where for where, message in found if message.startswith("gate 'bench' ")] == [f"duct.{at}.gate"]
    assert f"gate 'bench' is in duct '{'bench_port' if last else 'row'}' already" in dict(found)[f"duct.{at}.gate"]


def test_a_hood_without_a_gate_may_name_any_tool_and_a_tool_without_gates_any_hood() -> None:
    open_hood = '[duct.over]\ninto = "row"\ndiameter = 4\nlength = 3\nhood = { flow = 350, tool = "band_saw" }\n'
    hose = '[tool.vacuum_table]\ncollector = "main"\ncurrent = { topic = "shop/table/amps" }\nstart_amps = 1\n'
    text = shop_text(US.replace('tool = "sweep"', 'tool = "vacuum_table"') + open_hood)
    text = text.replace("[collector.main]", "[collector.main]\nmin_open = 0") + hose
    assert [code for code, _, _ in warned(text)] == []


@pytest.mark.parametrize(
    ("costs", "refused"),
    [
        ("fittings = [{ k = 0 }, { reducer = 2.5 }]\nhood = { entry = 0 }", True),
        ("fittings = [{ reducer = 4 }]\nhood = { entry = 0 }", False),
        ('fittings = ["elbow_90"]\nhood = { entry = 0 }', False),
        ("fittings = [{ k = 0.01 }]\nhood = { entry = 0 }", False),
        ("hood = { entry = 0, machine_loss = { loss = 1, at = 100 } }", False),
        ("hood = { entry = 0.0001 }", False),
        ("hood = {}", False),
        ("", False),
    ],
)
def test_an_end_that_loses_nothing_at_all_is_refused(costs: str, refused: bool) -> None:
    port = US[US.index("[duct.bench_port]") :]
    bare = f'[duct.bench_port]\ninto = "row"\ndiameter = 2.5\nlength = 0\ngate = "bench"\n{costs}\n'
    found = [where for where, message in errors_of(shop_text(US.replace(port, bare))) if "loses nothing" in message]
    assert found == (["duct.bench_port.length"] if refused else [])


def test_two_ducts_at_one_collector_are_refused() -> None:
    found = errors_of(shop_text(US.replace('[duct.row]\ninto = "main"', "[duct.row]")))
    assert [where for where, _ in found] == ["duct.row"]
    assert "already has 'main' without `into`" in found[0][1]


def test_a_tree_without_its_fan_is_refused() -> None:
    ducts = US[: US.index("[fan.main]")] + US[US.index("[duct.main]") :]
    assert errors_of(shop_text(ducts)) == [("duct.main", "collector 'main' has ducts but no [fan.main] with its curve")]


def test_sizes_materials_and_factors_reach_the_solver() -> None:
    tree = duct_system(config_of(shop_text()), "main").ducting.network
    bench, saw = tree.duct("bench_port"), tree.duct("band_saw_drop")
    assert bench.diameter == pytest.approx(0.0635)
    assert bench.length == pytest.approx(3.048)
    assert bench.roughness == MATERIALS["flex"].roughness
    assert bench.factor == pytest.approx((1 - (2.5 / 4) ** 2) ** 2 + (0.15 + 0.28) * (2.5 / 4) ** 4)
    assert bench.entry == 0.93
    assert saw.factor == pytest.approx(0.28 + factor("elbow_45", 0.127) + 0.15)
    assert saw.entry == 0.49
    assert tree.mains() == {"main", "row"}


def test_a_changed_diameter_changes_the_factors_that_depend_on_it() -> None:
    wider = duct_system(config_of(shop_text()), "main", {"band_saw_drop": 0.2}).ducting.network.duct("band_saw_drop")
    assert wider.diameter == 0.2
    step = reducer(0.2, 0.1524)  # into a main that is narrower now
    assert wider.factor == pytest.approx(0.28 + 0.07 + 0.15 + step)


def test_a_users_own_flow_wins_over_the_default() -> None:
    wants = duct_systems(config_of(shop_text()))[0].wants
    assert wants["band_saw_drop"].why == "yours"
    assert wants["planing_drop"] == KINDS["jointer"]  # the greater of jointer and drum sander
    assert "[pub]" in wants["planing_drop"].why
    without = shop_text(US.replace(", flow = 150", ""))
    assert "bench_port" not in duct_systems(config_of(without))[0].wants


def test_a_tool_of_no_known_kind_is_served_by_its_port() -> None:
    text = shop_text(US.replace('tool = "carving_router", flow = 350', 'tool = "lathe_of_ours"'))
    assert errors_of(text)[0][0] == "duct.router_drop.hood.tool"
    named = text.replace("[tool.carving_router]", "[tool.lathe_of_ours]")
    want = duct_systems(config_of(named))[0].wants["router_drop"]
    assert want.flow / 4.719474e-4 == pytest.approx(395, rel=0.01)
    assert "[practice]" in want.why


def test_air_follows_temperature_and_altitude_and_the_fan_follows_the_air() -> None:
    config = config_of(shop_text(US.replace('units = "us"', 'units = "us"\ntemperature = 40\naltitude = 5000')))
    air = shop_air(config)
    assert air.density == pytest.approx(1.2041 * (293.15 / 277.594) * (1 - 2.25577e-5 * 1524) ** 5.25588, rel=1e-4)
    fan = duct_system(config, "main").ducting.fan
    assert fan.points[0][1] == pytest.approx(11.0 * 249.08891 * air.density / 1.2041)


def test_two_collectors_have_a_tree_each() -> None:
    second = """
[collector.small]
command = { topic = "shop/small/set", on = "1", off = "0" }
[gate.lathe]
collector = "small"
command = { topic = "shop/gate/lathe/set", open = "1", shut = "0" }
button = { topic = "shop/gate/lathe/button", pressed = "1" }
[fan.small]
curve = [[0, 8], [600, 2]]
[duct.hose]
diameter = 4
length = 6
material = "flex"
gate = "lathe"
"""
    text = shop_text().replace("[gate.", "[gate.") + second
    for gate in ("band_saw", "planing", "router", "sweep", "bench"):
        text = text.replace(f"[gate.{gate}]\n", f'[gate.{gate}]\ncollector = "main"\n')
    both = duct_systems(config_of(text))
    assert [one.collector for one in both] == ["main", "small"]
    assert [sorted(one.gates) for one in both][1] == ["lathe"]
    assert both[1].ducting.network.mains() == frozenset()
    assert [demand.name for demand in both[1].demands] == ["lathe"]
