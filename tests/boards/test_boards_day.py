"""A whole shop of boards lives the demo's day: `gatehand boards` writes their settings, the real daemon drives them."""

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from support.child import environment
from support.micropython import micropython_program
from support.mosquitto import mosquitto_program

TESTS = Path(__file__).parents[1]
STEPS_MS = 40 + 2 * 20
"""Of the day's clock: a word to the broker, to the daemon, its command to the switch."""
SWITCHES_MS = STEPS_MS + 225 + 40
"""A switch with a clamp reads no word while it samples; then its contactor follows."""
SETTLED_MS = 30
"""A contact's bouncing is waited for."""


def lived(folder: Path, faults: dict[str, str] | None = None) -> dict[str, Any]:
    """What the day came to, in a process of its own; `faults`: a program's text by its role, in place of its own."""
    if faults is not None:
        (folder / "faults.json").write_text(json.dumps(faults))
    path = environment()["PYTHONPATH"] + os.pathsep + str(TESTS)
    ended = subprocess.run(  # noqa: S603 - our own command
        [sys.executable, str(Path(__file__).with_name("day_of_boards.py")), str(folder)],
        capture_output=True,
        text=True,
        check=False,
        timeout=600,
        env=environment(PYTHONPATH=path) | {"PYTHONPATH": path},
    )
    assert ended.returncode == 0, ended.stderr[-4000:]
    found: dict[str, Any] = json.loads(ended.stdout.splitlines()[-1])
    return found


@pytest.fixture(scope="module")
def day(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    micropython_program()
    mosquitto_program()
    return lived(tmp_path_factory.mktemp("day"))


def test_the_daemon_runs_ten_boards_through_the_demos_day_as_it_runs_the_simulated_shop(day: dict[str, Any]) -> None:
    assert day["up"], day
    assert day["complaints"] == []
    assert day["warnings"] == []
    # What the story itself raises: a jammed gate, an emergency stop, a sander that was never switched off.
    assert sorted(day["alarms"]) == [
        "collector.main.held",
        "gate.band_saw.fault",
        "stop.emergency.active",
        "tool.band_saw.not_served",
        "tool.drum_sander.not_fresh",
    ]


def test_no_board_hurts_the_shop_in_that_day(day: dict[str, Any]) -> None:
    assert day["breaches"] == []
    assert not day["fan_on"]
    assert day["pulsing"] == []
    # 90 degrees at 300 a second, 150 ms more, and what the steps of pulses and clock add; turned round, twice.
    assert max(day["longest_pulses_ms"].values()) <= 2 * (300 + 150 + 2 * 20) + 40


def test_a_cut_outlives_a_broker_that_is_gone_for_longer_than_the_switchs_limit(day: dict[str, Any]) -> None:
    outage = day["outage"]
    assert outage["came_on"]
    # 2.5 x refresh since the last "on", which is up to one refresh old when the broker dies; the contactor's way.
    assert 12_000 - 500 <= outage["off_after"] <= 20_000 + 200
    assert outage["on_again_after"] is not None, outage
    assert outage["kept_on"]
    assert outage["ended"]


def test_a_sensor_without_wifi_keeps_the_air_until_its_will_and_for_the_run_on(day: dict[str, Any]) -> None:
    found = day["without_wifi"]
    assert found["came_on"]
    assert found["kept_on"], "what it said last holds until somebody says that it is gone"
    # The band saw's run-on of 2 s.
    assert 2000 <= found["off_after_its_will"] <= 2000 + SWITCHES_MS
    assert found["raised"] == ["tool.band_saw.offline", "tool.band_saw.silent"]
    assert found["stayed_off"]
    # The Wi-Fi 1 s, the broker 2 s, two readings 1 s apart, each up to 0.5 s later, the gate's travel.
    assert 1000 <= found["on_again_after"] <= 1000 + 2000 + 1000 + 2 * 500 + 900 + SWITCHES_MS
    assert found["cleared"] == ["tool.band_saw.offline", "tool.band_saw.silent"]
    assert found["ended"]


def test_a_switch_without_power_drops_the_fan_and_waits_for_a_fresh_start_when_it_is_back(day: dict[str, Any]) -> None:
    found = day["without_power"]
    assert found["came_on"]
    assert found["off_after"] <= 40, "the relay falls off at once; a step of the clock"
    # It comes back off, and stays so as by somebody's hand, unless the daemon's own command has switched it on again.
    assert found["stayed_off"] != found["told_again"]
    by_hand = [] if found["told_again"] else ["tool.band_saw.not_fresh"]
    assert found["raised"] == ["collector.main.offline", *by_hand]
    assert found["fresh_start"]
    assert found["ended"]


def test_a_stop_contacts_broken_wire_holds_until_it_is_mended_and_reset(day: dict[str, Any]) -> None:
    found = day["broken_wire"]
    assert found["came_on"]
    assert found["off_after"] <= SETTLED_MS + SWITCHES_MS
    assert found["held_while_broken"]
    assert found["reset_while_broken"] == 0, "nobody ends the hold while the wire is broken"
    assert found["held_once_mended"]
    assert found["resets"] == 1
    assert found["starts_nothing"], "a reset alone starts nothing"
    assert found["raised"] == ["collector.main.held", "stop.emergency.active", "tool.band_saw.not_fresh"]
    assert found["fresh_start"]
    assert found["ended"]


def test_no_board_tells_a_secret(day: dict[str, Any]) -> None:
    said = "\n".join(line for console in day["console"].values() for line in console)
    assert "the broker hears us" in said
    assert "by hand" not in said
