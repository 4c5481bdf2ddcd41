"""The gate's program and its settings: what is wrong with them and how that is told, and what they change."""

import json
from typing import Any

import pytest
from gate_blade import PRESS, SERVO, SET, STATE, settings, switched_on
from role_bench import Bench, module

WrongSettings = module("board").WrongSettings


@pytest.mark.parametrize("wrong", [{"open_angle": 200}, {"pulse_us": [500]}, {"button": SERVO}])
def test_the_pin_is_off_also_where_the_settings_are_wrong(wrong: dict[str, Any]) -> None:
    with pytest.raises(WrongSettings):
        Bench("gate", settings(**wrong))
    assert module("world").WORLD.outputs == {("pin", SERVO): 0}


def test_a_button_of_the_config_that_has_no_pin_is_on_the_console() -> None:
    bench = switched_on(settings())
    assert list(bench.role.signals) == ["set", "state"]
    assert not bench.console
    wanted = settings()
    wanted["button"] = {"topic": PRESS, "pressed": "1"}
    assert "button" in switched_on(wanted).console[0]


def test_words_and_paths_are_those_of_the_config() -> None:
    wanted = settings()
    wanted["set"] |= {"open": "auf", "shut": "zu"}
    wanted["state"] |= {"open": "1", "shut": "0", "path": ["gate", "at"]}
    bench = switched_on(wanted)
    bench.hear(SET, "open")
    bench.hear(SET, "auf")
    bench.go(2000)
    assert [json.loads(word) for word in bench.words(STATE)] == [
        {"gate": {"at": word}} for word in ("unknown", "moving", "1")
    ]


def test_a_travel_of_the_config_that_is_too_short_is_told_at_the_start_and_in_about() -> None:
    bench = Bench("gate", settings(degrees_per_s=60))  # 90 degrees in 1.5 s, the config's travel is 1.5 s
    assert "travel" in bench.console[0]
    assert bench.console[0] == bench.role.facts["too_slow"]
    assert "takes 1780 ms, the config's travel is 1500 ms" in bench.console[0]


def test_a_travel_of_the_config_that_is_long_enough_is_kept() -> None:
    bench = switched_on(settings())
    takes = bench.role.facts["takes_ms"]
    assert takes == 750 + 20 + 200 + 60
    assert "too_slow" not in bench.role.facts
    begun = bench.ms
    bench.hear(SET, "open")
    bench.go(3000, turn=20)
    assert next(said.ms for said in bench.said if said.payload == "open") - begun <= takes


@pytest.mark.parametrize(
    ("hardware", "message"),
    [
        ({"servo": None}, "hardware: servo is missing; wanted a whole number"),
        ({"open_angle": 190}, "open_angle is 190; wanted 0 to 180 degrees"),
        ({"shut_angle": 90}, "open_angle and shut_angle are the same"),
        ({"degrees_per_s": 0}, "wanted degrees_per_s above 0"),
        ({"settle_ms": -1}, "settle_ms of 0 or more"),
        ({"pulse_us": [500, "2500"]}, "pulse_us is .*; wanted two numbers, 300 to 3000"),
        ({"pulse_us": [0, 2500]}, "pulse_us is .*; wanted two numbers"),
        ({"open_switch": 7, "shut_switch": 7}, "open_switch and shut_switch are both on pin 7"),
        ({"open_switch": True}, "open_switch is True; wanted a whole number"),
    ],
)
def test_wrong_settings_say_where_and_what_is_wanted(hardware: dict[str, Any], message: str) -> None:
    with pytest.raises(WrongSettings, match=message):
        Bench("gate", settings(**hardware))


def test_a_gate_moved_by_hand_without_any_end_switch_is_refused() -> None:
    wanted = settings(servo=None)
    del wanted["set"]
    with pytest.raises(WrongSettings, match="open_switch and shut_switch are missing"):
        Bench("gate", wanted)
