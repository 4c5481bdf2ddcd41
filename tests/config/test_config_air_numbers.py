"""Each bound on the numbers of the ducts: silence on its near side, one warning on its far side, in both units."""

from pathlib import Path

import pytest

from gatehand.config import load_text

SHOP = """
[collector.main]
command = { topic = "c/set", on = "1", off = "0" }
[gate.saw]
command = { topic = "g/saw/set", open = "open", shut = "shut" }
[tool.saw]
gates = ["saw"]
current = { topic = "t/saw" }
start_amps = 2
"""
US = """[airflow]
units = "us"
[fan.main]
curve = [[0, 11], [800, 8], [1200, 4]]
[duct.main]
diameter = 5
length = 10
gate = "saw"
fittings = [{ k = 0.1 }]
hood = { entry = 0.9, flow = 500 }
"""
METRIC = """[airflow]
units = "metric"
[fan.main]
curve = [[0, 2700], [1400, 2000], [2000, 1000]]
[duct.main]
diameter = 125
length = 3
gate = "saw"
fittings = [{ k = 0.1 }]
hood = { entry = 0.9, flow = 850 }
"""


def told(shop: str, find: str, put: str) -> list[tuple[str, str]]:
    assert shop.count(find) == 1
    loaded = load_text(SHOP + shop.replace(find, put), Path("config.toml"))
    return [(problem.code, problem.where) for problem in loaded.problems]


def messages(shop: str, find: str, put: str) -> list[str]:
    return [problem.message for problem in load_text(SHOP + shop.replace(find, put), Path("config.toml")).problems]


@pytest.mark.parametrize(
    ("shop", "find", "usual", "odd", "code", "where"),
    [
        # Bounds in SI, turned by hand: 1 in = 25.4 mm, 1 cfm = 1.699 m3/h, 1 in.w.g. = 249.09 Pa, 1 ft/min = 5.08 mm/s.
        (US, "diameter = 5", "diameter = 6", "diameter = 41", "units-doubtful", "duct.main.diameter"),
        (US, "diameter = 5", "diameter = 4", "diameter = 0.9", "units-doubtful", "duct.main.diameter"),
        (METRIC, "diameter = 125", "diameter = 100", "diameter = 24", "units-doubtful", "duct.main.diameter"),
        (METRIC, "diameter = 125", "diameter = 150", "diameter = 1100", "units-doubtful", "duct.main.diameter"),
        (US, "length = 10", "length = 190", "length = 200", "air-doubtful", "duct.main.length"),
        (METRIC, "length = 3", "length = 60", "length = 61", "air-doubtful", "duct.main.length"),
        # Moody's chart ends at a twentieth of the diameter: 0.25 in = 0.0208 ft, 6.25 mm.
        (
            US,
            "length = 10",
            "length = 10\nroughness = 0.02",
            "length = 10\nroughness = 0.022",
            "air-doubtful",
            "duct.main.roughness",
        ),
        (
            METRIC,
            "length = 3",
            "length = 3\nroughness = 6.2",
            "length = 3\nroughness = 6.3",
            "air-doubtful",
            "duct.main.roughness",
        ),
        (
            METRIC,
            "length = 3",
            "length = 3\nroughness = 0.0015",
            "length = 3\nroughness = 0.00009",
            "air-doubtful",
            "duct.main.roughness",
        ),
        (US, "k = 0.1", "k = 17", "k = 17.1", "air-doubtful", "duct.main.fittings[0].k"),
        (US, "{ k = 0.1 }", "{ reducer = 6 }", "{ reducer = 60 }", "air-doubtful", "duct.main.fittings[0].reducer"),
        (US, "entry = 0.9", "entry = 2.7", "entry = 2.72", "air-doubtful", "duct.main.hood.entry"),
        # 5 in are 0.13635 ft2: 50 m/s = 9843 ft/min = 1342 cfm; half of 2500 ft/min = 170.4 cfm.
        (US, "flow = 500", "flow = 1330", "flow = 1350", "air-doubtful", "duct.main.hood.flow"),
        (US, "flow = 500", "flow = 172", "flow = 169", "air-doubtful", "duct.main.hood.flow"),
        # 125 mm are 0.012272 m2: 50 m/s = 2209 m3/h; 6.35 m/s = 280.5 m3/h.
        (METRIC, "flow = 850", "flow = 2200", "flow = 2220", "air-doubtful", "duct.main.hood.flow"),
        (METRIC, "flow = 850", "flow = 282", "flow = 279", "air-doubtful", "duct.main.hood.flow"),
        (US, '"us"', '"us"\nmin_velocity = 1300', '"us"\nmin_velocity = 1200', "air-doubtful", "airflow.min_velocity"),
        (
            METRIC,
            '"metric"',
            '"metric"\nmain_velocity = 50',
            '"metric"\nmain_velocity = 3500',
            "air-doubtful",
            "airflow.main_velocity",
        ),
        # 0.01 m3/s are 21.2 cfm, 10 m3/s 21,189.
        (
            US,
            "[[0, 11], [800, 8], [1200, 4]]",
            "[[0, 11], [22, 4]]",
            "[[0, 11], [21, 4]]",
            "air-doubtful",
            "fan.main.curve",
        ),
        (US, "[1200, 4]", "[8000, 4]", "[8100, 4]", "air-doubtful", "fan.main.curve"),
        # 0.4719 m3/s x 2491 Pa = 1.18 kW for 1000 cfm at 10 in.w.g.: 30 kW at 25,500 of them, here 12,000 at 21.
        (
            US,
            "[[0, 11], [800, 8], [1200, 4]]",
            "[[0, 25], [12000, 21], [14000, 9]]",
            "[[0, 25], [12000, 21.5], [14000, 9]]",
            "air-doubtful",
            "fan.main.curve",
        ),
        (
            US,
            "[[0, 11], [800, 8], [1200, 4]]",
            "[[0, 39], [400, 4], [800, 2]]",
            "[[0, 39], [400, 3], [800, 2]]",
            "air-doubtful",
            "fan.main.curve",
        ),
        # A curve may end near nothing.
        (US, "[1200, 4]]", "[1200, 0.5]]", "[1200, 4], [1300, 0.3], [1400, 0.2]]", "air-doubtful", "fan.main.curve"),
        (
            US,
            "[1200, 4]]",
            "[1200, 4]]\nmeasured = { inlet_pipe = 6 }",
            "[1200, 4]]\nmeasured = { inlet_pipe = 150 }",
            "air-doubtful",
            "fan.main.measured.inlet_pipe",
        ),
        (
            US,
            "[1200, 4]]",
            "[1200, 4]]\nspeed = { curve = 1750, run = 3500 }",
            "[1200, 4]]\nspeed = { curve = 1750, run = 3600 }",
            "air-doubtful",
            "fan.main.speed.run",
        ),
        (
            US,
            "[1200, 4]]",
            "[1200, 4]]\nspeed = { curve = 2000, run = 500 }",
            "[1200, 4]]\nspeed = { curve = 2000, run = 490 }",
            "air-doubtful",
            "fan.main.speed.run",
        ),
        (
            US,
            "[1200, 4]]",
            "[1200, 4]]\nfilter_loss = { clean = 1, dirty = 11, at = 800 }",
            "[1200, 4]]\nfilter_loss = { clean = 1, dirty = 12, at = 800 }",
            "air-doubtful",
            "fan.main.filter_loss.dirty",
        ),
        (
            US,
            "flow = 500",
            "flow = 500, machine_loss = { loss = 40, at = 400 }",
            "flow = 500, machine_loss = { loss = 41, at = 400 }",
            "air-doubtful",
            "duct.main.hood.machine_loss.loss",
        ),
        (
            METRIC,
            "length = 3",
            "length = 3\nleak = { flow = 9, at = 10000 }",
            "length = 3\nleak = { flow = 9, at = 10100 }",
            "air-doubtful",
            "duct.main.leak.at",
        ),
        (US, "[[0, 11]", "[[0, 40]", "[[0, 41]", "units-doubtful", "fan.main.curve"),
        (
            METRIC,
            '"metric"',
            '"metric"\ntemperature = 45',
            '"metric"\ntemperature = 68',
            "air-doubtful",
            "airflow.temperature",
        ),
        # 125 mm are 0.012272 m2: at 6.35 m/s 280.5 m3/h.
        (
            METRIC,
            "length = 3",
            "length = 3\nleak = { flow = 280, at = 2000 }",
            "length = 3\nleak = { flow = 281, at = 2000 }",
            "air-doubtful",
            "duct.main.leak.flow",
        ),
        (
            METRIC,
            "[[0, 2700], [1400, 2000], [2000, 1000]]",
            "[[0, 51], [2000, 10]]",
            "[[0, 49], [2000, 10]]",
            "units-doubtful",
            "fan.main.curve",
        ),
    ],
)
def test_a_number_is_doubted_on_one_side_of_its_bound(  # noqa: PLR0917 - a table with so many columns
    shop: str, find: str, usual: str, odd: str, code: str, where: str
) -> None:
    assert told(shop, find, usual) == []
    assert told(shop, find, odd) == [(code, where)]


@pytest.mark.parametrize(
    ("shop", "find", "odd", "said"),
    [
        (METRIC, "length = 3", "length = 3\nroughness = 27", "27 mm is rougher than any duct: it is in mm, 0.09 for"),
        (METRIC, "length = 3", "length = 3\nroughness = 0.00009", "0.00009 mm is smoother than any duct: it is in mm"),
        (US, "length = 10", "length = 10\nroughness = 0.09", "0.09 ft (27 mm) is rougher than any duct: it is in ft"),
        (METRIC, "diameter = 125", "diameter = 12", 'yet duct "main" is 12 wide: give it in mm'),
        (METRIC, "[[0, 2700], [1400, 2000], [2000, 1000]]", "[[0, 2.7], [2000, 1]]", "begins at 2.7: give it in Pa"),
    ],
)
def test_an_odd_number_is_told_once_and_with_what_to_do(shop: str, find: str, odd: str, said: str) -> None:
    assert any(said in text for text in messages(shop, find, odd)), messages(shop, find, odd)


@pytest.mark.parametrize("odd", ["9" * 400, "-" + "9" * 400, "inf", "-inf", "nan", "true"])
@pytest.mark.parametrize("key", ["diameter = 5", "length = 10", "flow = 500"])
def test_a_number_that_is_none_is_one_error_where_it_is(key: str, odd: str) -> None:
    """An integer too large for a float ended in a traceback."""
    if US.count(key) == 1:
        name = key.split(" ", maxsplit=1)[0]
        found = told(US, key, f"{name} = {odd}")
        assert [code for code, _ in found] == ["bad-number"]


def test_a_fan_without_any_duct_is_looked_at_too() -> None:
    loaded = load_text(SHOP + "[fan.main]\ncurve = [[0, 2700], [800, 8], [1200, 4]]\n", Path("config.toml"))
    assert [problem.where for problem in loaded.problems] == ["fan.main.curve"]
