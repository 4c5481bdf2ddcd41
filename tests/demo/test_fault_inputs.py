"""The topics by which anybody plays the people and mishaps of the simulated shop: each does what the list says."""

import re
from importlib.resources import files
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sim_shops import config

from gatehand.config.load import load_text
from gatehand.demo.environment import CONFIG_NAME
from gatehand.demo.play import invitation
from gatehand.demo.simulated_devices import FAULT_INPUTS, take_fault_input
from gatehand.simshop.collector import CollectorHabits
from gatehand.simshop.gate import GateHabits
from gatehand.simshop.sim_shop import Habits, SimShop

CONFIG = config()


def shop() -> SimShop:
    habits = Habits(
        gates=dict.fromkeys(CONFIG.gate, GateHabits(travel=0.5, delay=0.0)),
        collectors={"main": CollectorHabits(delay=0.0)},
    )
    made = SimShop(CONFIG, habits=habits)
    made.begin(0.0)
    return made


def test_switch_starts_and_stops_a_tool() -> None:
    made = shop()
    assert take_fault_input(made, "sim/saw/switch", b"1", 1.0) == "The saw is switched on."
    assert made.tools["saw"].on
    take_fault_input(made, "sim/saw/switch", b"0", 2.0)
    assert not made.tools["saw"].on


def test_amps_runs_a_tool_at_so_many_ampere() -> None:
    made = shop()
    assert "draws 1.5 A" in take_fault_input(made, "sim/saw/amps", b"1.5", 1.0)
    assert made.tools["saw"].reads(10.0) == 1.5


def demo() -> SimShop:
    """The demo's own shop, which has a tool of each kind."""
    loaded = load_text((files("gatehand.demo") / CONFIG_NAME).read_text("utf-8"), Path(CONFIG_NAME))
    assert loaded.config is not None
    made = SimShop(loaded.config)
    made.begin(0.0)
    return made


def test_watts_runs_a_tool_at_so_many_watts() -> None:
    made = demo()
    said = take_fault_input(made, "sim/carving_router/watts", b"118", 1.0)
    assert said == "The carving router is on and draws 118 W."
    assert made.tools["carving_router"].reads(10.0) == 118
    assert "draws 1200 W" in take_fault_input(made, "sim/carving_router/watts", b"1200", 2.0), (
        "more than 1,000 A may be"
    )


@pytest.mark.parametrize(
    ("topic", "other"),
    [
        ("sim/carving_router/amps", "says watts; publish to sim/carving_router/watts."),
        ("sim/band_saw/watts", "says amps; publish to sim/band_saw/amps."),
        ("sim/drum_sander/watts", "says running; publish to sim/drum_sander/switch."),
        ("sim/drum_sander/amps", "says running; publish to sim/drum_sander/switch."),
    ],
)
def test_a_reading_that_the_tools_sensor_does_not_say_is_told_which_it_does(topic: str, other: str) -> None:
    made = demo()
    said = take_fault_input(made, topic, b"5", 1.0)
    assert topic in said
    assert other in said
    assert not any(tool.on for tool in made.tools.values())


def test_jam_holds_a_gate_and_frees_it() -> None:
    made = shop()
    take_fault_input(made, "sim/saw/jam", b"1", 1.0)
    made.deliver("g/saw/set", b"100", 1.0)
    made.advance(3.0)
    assert made.gates["saw"].position(3.0) == 0.0
    take_fault_input(made, "sim/saw/jam", b"0", 3.0)
    made.deliver("g/saw/set", b"100", 3.0)
    made.advance(4.0)
    assert made.gates["saw"].position(4.0) == 1.0


def test_move_opens_and_shuts_a_gate_by_hand() -> None:
    made = shop()
    take_fault_input(made, "sim/hand/move", b"open", 1.0)
    assert made.gates["hand"].position(2.0) == 1.0
    take_fault_input(made, "sim/hand/move", b"shut", 2.0)
    assert made.gates["hand"].position(3.0) == 0.0


def test_press_is_a_stop_contact() -> None:
    made = shop()
    take_fault_input(made, "sim/estop/press", b"1", 1.0)
    assert made.stops["estop"].active


def test_hand_and_weld_are_the_collectors_own_switch_and_its_relay() -> None:
    made = shop()
    assert take_fault_input(made, "sim/main/weld", b"1", 1.0) == "A relay welds only while it is on."
    take_fault_input(made, "sim/main/hand", b"on", 1.0)
    assert made.collectors["main"].turns
    take_fault_input(made, "sim/main/hand", b"off", 2.0)
    made.deliver("c/set", b"ON", 3.0)
    made.advance(3.0)
    assert "welds shut" in take_fault_input(made, "sim/main/weld", b"1", 4.0)
    made.deliver("c/set", b"OFF", 5.0)
    made.advance(5.0)
    assert made.collectors["main"].turns


@pytest.mark.parametrize(
    ("topic", "payload", "wanted"),
    [
        ("sim/nobody/switch", b"1", "there are saw, mill"),
        ("sim/saw/kick", b"1", "there are switch, jam"),
        ("sim/saw/switch", b"perhaps", "wanted 1 or 0"),
        ("sim/saw/switch", b"", "wanted 1 or 0"),
        ("sim/saw/amps", b"many", "want a number"),
        ("sim/nobody/amps", b"1", "there are saw, mill"),
    ],
)
def test_an_input_that_cannot_be_taken_says_why_and_what_there_is(topic: str, payload: bytes, wanted: str) -> None:
    made = shop()
    said = take_fault_input(made, topic, payload, 1.0)
    assert topic in said
    assert wanted in said


@given(st.text(max_size=8), st.text(max_size=8), st.binary(max_size=12))
def test_nothing_a_client_sends_breaks_the_shop(name: str, word: str, payload: bytes) -> None:
    made = shop()
    assert take_fault_input(made, f"sim/{name}/{word}", payload, 1.0)


def test_the_invitation_names_every_fault_input_and_keeps_within_80_columns() -> None:
    text = invitation(18830, Path("/tmp/gatehand-demo-abcdefgh"))  # noqa: S108 - only shown
    named = set(re.findall(r"^  sim/\w+/(\w+)", text, re.MULTILINE))
    assert named == set(FAULT_INPUTS)
    assert max(map(len, text.splitlines())) < 80
    assert CONFIG_NAME in text


def test_a_blocked_hose_and_a_clogged_filter_are_seen_by_the_suction_alone() -> None:
    made = demo()
    airway = made.collectors["main"].airway
    assert airway is not None
    made.deliver("shop/gate/band_saw/set", b"open", 1.0)
    made.advance(3.0)
    well = airway.suction(3.0, 1.0)
    assert take_fault_input(made, "sim/band_saw/block", b"1", 3.0) == "The hose at gate band saw is blocked."
    assert airway.suction(3.0, 1.0) > 1.1 * well
    assert take_fault_input(made, "sim/band_saw/block", b"0", 3.0) == "The hose at gate band saw is free again."
    assert airway.suction(3.0, 1.0) == well
    assert take_fault_input(made, "sim/main/clog", b"1", 3.0) == "The filter of the collector main is clogged."
    assert airway.suction(3.0, 1.0) < 0.9 * well
    assert "cleaned" in take_fault_input(made, "sim/main/clog", b"0", 3.0)
    assert airway.suction(3.0, 1.0) == well


def test_without_a_suction_sensor_nothing_would_tell_of_it() -> None:
    made = shop()
    for word, name in (("block", "saw"), ("clog", "main")):
        assert "no suction sensor" in take_fault_input(made, f"sim/{name}/{word}", b"1", 0.0)
