"""What a number is taken for, and lines for the config that the config takes."""

import tomllib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from listening_support import heard

from gatehand.config.load import load_text
from gatehand.config.signals import Contact, Current, Power
from gatehand.listening.roles import Certainty, config_line, known, on_and_off, source, table_name, taken_for
from gatehand_rules.words import Measure


@pytest.mark.parametrize(
    ("topic", "pointer", "measure", "scale"),
    [
        ("shop/saw/amps", None, Measure.AMPS, 1.0),
        ("shop/saw", "/current", Measure.AMPS, 1.0),
        ("shop/saw", "/A", Measure.AMPS, 1.0),
        ("shop/saw", "/current_mA", Measure.AMPS, 0.001),
        ("shop/saw/mA", None, Measure.AMPS, 0.001),
        ("shop/saw", "/phase_a_power", Measure.WATTS, 1.0),
        ("shop/saw", "/activePower", Measure.WATTS, 1.0),
        ("shop/saw", "/power_kW", Measure.WATTS, 1000.0),
        ("shop/saw", "/w", Measure.WATTS, 1.0),
        ("shop/saw/power", "/0/value", Measure.WATTS, 1.0),
        ("shop/saw", "/apower", Measure.WATTS, 1.0),
    ],
)
def test_a_name_says_amps_or_watts(topic: str, pointer: str | None, measure: Measure, scale: float) -> None:
    taken = taken_for(topic, pointer)
    assert (taken.measure, taken.scale, taken.certainty) == (measure, scale, Certainty.NAME)


@pytest.mark.parametrize(
    ("pointer", "other"),
    [
        ("/energy", "energy"),
        ("/power/kWh", "energy"),
        ("/voltage", "voltage"),
        ("/power_factor", "power factor"),
        ("/apparent_power", "apparent or reactive power"),
        ("/current/temperature", "temperature"),
        ("/suction", "pressure"),
        ("/inlet_kPa", "pressure"),
        ("/freq", "frequency"),
        ("/uptime", "time"),
    ],
)
def test_a_name_says_what_is_neither(pointer: str, other: str) -> None:
    assert taken_for("shop/saw/power", pointer) == (None, 1.0, taken_for("", pointer).because, Certainty.NONE, other)


def test_a_suction_sensor_of_the_config_is_in_use_and_offered_as_nothing_else() -> None:
    text = """[collector.main]
    command = { topic = "c/set", on = "1", off = "0" }
    min_open = 0
    suction = { topic = "c/inlet", pointer = "/p", unit = "Pa" }
    [tool.saw]
    collector = "main"
    current = { topic = "t/saw" }
    start_amps = 2
    """
    found = known(load_text(text, Path("c.toml")).config, "gatehand")
    assert found.uses["c/inlet", "/p"] == ("collector.main suction",)
    assert found.uses_topic("c/inlet")


def test_without_a_name_its_size_at_work_tells_and_says_so() -> None:
    assert taken_for("x/1", "/x1").measure is None
    assert taken_for("x/1", "/x1", 6.4).measure is Measure.AMPS
    watts = taken_for("x/1", "/x1", 1204.0)
    assert (watts.measure, watts.certainty) == (Measure.WATTS, Certainty.SIZE)
    assert watts.because == "its name does not say, and 1,204 at work is too much for amps"


def test_a_named_unit_may_be_its_thousandth_or_its_thousandfold() -> None:
    assert taken_for("saw", "/current", 5400.0)[:2] == (Measure.AMPS, 0.001)
    assert taken_for("saw", "/power", 1.2)[:2] == (Measure.WATTS, 1000.0)
    assert taken_for("saw", "/current", 5.4)[:2] == (Measure.AMPS, 1.0)


@pytest.mark.parametrize(
    ("words", "found"),
    [
        (("OFF", "ON"), ("ON", "OFF")),
        (("0", "1"), ("1", "0")),
        (("closed", "open"), ("open", "closed")),
        (("single", "double"), None),
        (("ON",), None),
        (("ON", "on"), None),
    ],
)
def test_which_of_two_words_means_on(words: tuple[str, ...], found: tuple[str, str] | None) -> None:
    assert on_and_off(words) == found


TOPICS = st.text(min_size=1, max_size=30)


@given(TOPICS, st.none() | st.text(max_size=10), st.text(max_size=10))
def test_a_line_is_toml_that_says_the_same_and_holds_nothing_for_a_terminal(
    topic: str, pointer: str | None, word: str
) -> None:
    topic, word = (each.encode("utf-8", "replace").decode() for each in (topic, word))
    line = source(topic, pointer, 0.001, active=word)
    assert line.isprintable()
    table = tomllib.loads(f"x = {line}")["x"]
    wanted = {"topic": topic, "scale": 0.001, "active": word}
    assert table == (wanted if pointer is None else {**wanted, "pointer": pointer})


def test_the_lines_are_taken_by_the_config() -> None:
    found = heard(
        *(
            (1, "m/meter", '{"power": 3.5, "voltage": 230, "current_mA": 12}'),
            (2, "m/sander", "ON"),
            (3, "m/sander", "OFF"),
        ),
        *(
            (4, "m/gate/state", "open"),
            (5, "m/gate/state", "shut"),
            (6, "m/fan/state", "on"),
            (7, "m/fan/state", "off"),
        ),
        *((8, "m/fan/set", "on"), (9, "m/fan/set", "off"), (10, "m/button", "pressed"), (11, "m/\x07", "1")),
    )
    lines = {(one.topic, one.pointer): config_line(one) for one in found.signals()}
    assert lines == {
        ("m/meter", "/power"): 'power = { topic = "m/meter", pointer = "/power" }',
        ("m/meter", "/voltage"): None,
        ("m/meter", "/current_mA"): 'current = { topic = "m/meter", pointer = "/current_mA", scale = 0.001 }',
        ("m/sander", None): 'running = { topic = "m/sander", active = "ON", clear = "OFF" }',
        ("m/gate/state", None): 'state = { topic = "m/gate/state", open = "open", shut = "shut" }',
        ("m/fan/state", None): 'state = { topic = "m/fan/state", on = "on", off = "off" }',
        ("m/fan/set", None): None,
        ("m/button", None): None,
        ("m/\x07", None): None,
    }
    text = f"""
[collector.main]
command = {{ topic = "m/fan/set", on = "on", off = "off" }}
{lines["m/fan/state", None]}
[gate.saw]
command = {{ topic = "m/gate/set", open = "open", shut = "shut" }}
{lines["m/gate/state", None]}
[tool.saw]
gates = ["saw"]
{lines["m/meter", "/power"]}
start_watts = 100
[tool.sander]
gates = ["saw"]
{lines["m/sander", None]}
[tool.jointer]
gates = ["saw"]
{lines["m/meter", "/current_mA"]}
start_amps = 2
"""
    config = load_text(text, Path("made.toml")).config
    assert config is not None
    assert isinstance(config.tool["saw"].sensor, Power)
    assert isinstance(config.tool["sander"].sensor, Contact)
    assert isinstance(config.tool["jointer"].sensor, Current)
    uses = known(config, "gatehand")
    assert uses.uses["m/meter", "/power"] == ("tool.saw power",)
    assert uses.uses["m/gate/state", None] == ("gate.saw state",)
    assert uses.commands["m/fan/set"] == ("collector.main command",)
    assert uses.uses_topic("m/meter")
    assert not uses.uses_topic("m/button")
    assert (uses.is_own("gatehand/tool/saw"), uses.is_own("gatehands/x"), uses.leave_out("m/gate/set")) == (
        True,
        False,
        True,
    )


def test_a_name_as_people_say_it_becomes_a_tables() -> None:
    assert [table_name(one) for one in ("Band Saw", " drum-sander 2 ", "Bench (old)", "機械")] == [
        *("band_saw", "drum-sander_2", "bench_old", "tool"),
    ]
