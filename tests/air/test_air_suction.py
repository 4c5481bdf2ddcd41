"""What the suction at the collector's inlet should be: against a published relation, and which way faults move it."""

from pathlib import Path

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from gatehand.air.duct_model import duct_system
from gatehand.air.suction_expected import DuctSuction, duct_suction
from gatehand.config import Config, load_text
from gatehand_air.properties import INCH_WATER
from gatehand_air.solve import Unsolved

SHOP = """
[collector.main]
command = { topic = "c/set", on = "1", off = "0" }
suction = { topic = "c/inlet", unit = "Pa" }

[gate.saw]
command = { topic = "g/saw/set", open = "open", shut = "shut" }
[gate.bench]
command = { topic = "g/bench/set", open = "open", shut = "shut" }
button = { topic = "g/bench/button", pressed = "1" }

[tool.saw]
gates = ["saw"]
current = { topic = "t/saw" }
start_amps = 2.5
"""
FAN = """
[fan.main]
curve = [[0, 11.0], [400, 10.4], [800, 8.1], [1200, 3.9]]
filter_loss = { clean = 1.0, dirty = 3.0, at = 800 }
"""
DUCTS = """
[duct.main]
diameter = 6
length = 14

[duct.saw_drop]
into = "main"
diameter = 4
length = 8
gate = "saw"
hood = { entry = "plain" }

[duct.bench_drop]
into = "main"
diameter = 4
length = 6
gate = "bench"
hood = { entry = "plain" }
"""


def in_thousandths(value: float) -> float:
    """As a config has it: no figure of a shop is smaller."""
    return round(value, 3)


def config(text: str) -> Config:
    loaded = load_text(text, Path("shop.toml"))
    assert loaded.config is not None, loaded.problems
    return loaded.config


def found(text: str, *gates: str) -> DuctSuction:
    said = duct_suction(config(text), "main", gates)
    assert isinstance(said, DuctSuction), said
    return said


def said(text: str, *gates: str) -> str:
    answer = duct_suction(config(text), "main", gates)
    assert isinstance(answer, str)
    return answer


def test_behind_a_hood_it_is_the_velocity_pressure_and_the_entry_loss() -> None:
    """Hood static pressure is velocity pressure and entry loss (OSHA Technical Manual, section III, chapter 3 [pub]).

    There too: 4,005 ft/min of standard air has 1 in.w.g. of velocity pressure. So a factor of 0.49 makes 1.49 in.w.g.
    The fan is one that gives just the entry loss, 0.49 in.w.g., at the flow of 4,005 ft/min in a duct of 6 in.
    """
    flow = 4005 * 0.25**2 * 3.14159265
    fan = f"[fan.main]\ncurve = [[0, 10.0], [{flow}, 0.49], [900, 0.1]]\n"
    fan += "filter_loss = { clean = 0, dirty = 0, at = 800 }\n"
    duct = '[duct.main]\ndiameter = 6\nlength = 0.001\ngate = "saw"\nhood = { entry = 0.49 }\n'
    one = found(SHOP + fan + duct, "saw")
    assert one.clean / INCH_WATER == pytest.approx(1.49, rel=4e-3)
    assert one.dirty == one.clean
    assert one.falls is None


def test_it_is_what_the_fan_gives_less_the_filter_and_plus_the_velocity_pressure() -> None:
    shop = config(SHOP + FAN + DUCTS)
    ducting = duct_system(shop, "main").ducting
    for solver, wanted in ((ducting.clean, "clean"), (ducting.dirty, "dirty")):
        answer = solver.solve(("saw",))
        assert not isinstance(answer, Unsolved)
        given_by_fan = answer.pressure - answer.filter_loss
        root = ducting.network.root
        velocity = answer.flow / (3.14159265358979 / 4 * root.diameter**2)
        dynamic = ducting.air.density * velocity**2 / 2
        one = found(SHOP + FAN + DUCTS, "saw")
        assert getattr(one, wanted) == pytest.approx(given_by_fan + dynamic, rel=1e-7)


def test_a_dirty_filter_lowers_it_and_so_does_another_open_gate() -> None:
    saw, bench = (found(SHOP + FAN + DUCTS, gate) for gate in ("saw", "bench"))
    both = found(SHOP + FAN + DUCTS, "saw", "bench")
    assert saw.dirty < saw.clean
    assert both.clean < min(saw.clean, bench.clean)
    assert saw.low < saw.dirty < saw.middle < saw.clean < saw.high
    assert saw.falls == pytest.approx(1 - saw.dirty / saw.clean)


@settings(max_examples=25)
@given(
    length=st.floats(1, 60).map(in_thousandths),
    loss=st.floats(0, 6).map(in_thousandths),
    diameter=st.sampled_from([3, 4, 5]),
    clean=st.floats(0.0, 3.0).map(in_thousandths),
    more=st.floats(0.0, 3.0).map(in_thousandths),
)
def test_what_blocks_a_duct_raises_it_wherever_there_is_an_opinion(
    length: float, loss: float, diameter: int, clean: float, more: float
) -> None:
    def shop(fittings: str) -> Config:
        fan = FAN.replace("clean = 1.0, dirty = 3.0", f"clean = {clean}, dirty = {clean + more}")
        ducts = DUCTS.replace("length = 8", f"length = {length}\nfittings = [{fittings}]", 1)
        return config(SHOP + fan + ducts.replace("diameter = 4", f"diameter = {diameter}", 1))

    free = duct_suction(shop(""), "main", ("saw",))
    blocked = duct_suction(shop(f"{{ k = {loss} }}"), "main", ("saw",))
    assume(isinstance(free, DuctSuction))
    assume(isinstance(blocked, DuctSuction))
    assert isinstance(free, DuctSuction)
    assert isinstance(blocked, DuctSuction)
    assert blocked.clean >= free.clean * (1 - 1e-9)
    assert free.dirty <= free.clean * (1 + 1e-9)
    assert free.low <= free.dirty
    assert free.clean <= free.high


@pytest.mark.parametrize(
    ("text", "gates", "why"),
    [
        (SHOP, ("saw",), "no ducts or no fan for main"),
        (SHOP + FAN.replace("filter_loss", "# filter_loss") + DUCTS, ("saw",), "does not say what the filter loses"),
        (SHOP + FAN + DUCTS, (), "no open gate leads into a duct"),
        (SHOP + FAN + DUCTS.replace('gate = "bench"\n', ""), ("saw", "bench"), "gate bench has no duct"),
        (SHOP + FAN.replace("[800, 8.1], [1200, 3.9]", "[420, 10.3]") + DUCTS, ("saw",), "more air than its curve"),
        (SHOP + FAN.replace("[0, 11.0], [400, 10.4], ", "") + DUCTS, ("saw",), "less air than its curve"),
        (
            SHOP + FAN.replace("[[0, 11.0], [400, 10.4], [800, 8.1], [1200, 3.9]]", "[[0, 8.02], [3000, 8.0]]")
            .replace("clean = 1.0, dirty = 3.0", "clean = 0, dirty = 0") + DUCTS,
            ("saw",),
            "so flat there",
        ),
    ],
)  # fmt: skip
def test_where_nobody_can_tell_it_says_why(text: str, gates: tuple[str, ...], why: str) -> None:
    assert why in said(text, *gates)
