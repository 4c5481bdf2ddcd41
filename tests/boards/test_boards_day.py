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


@pytest.fixture(scope="module")
def day(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """What the day came to."""
    micropython_program()
    mosquitto_program()
    path = environment()["PYTHONPATH"] + os.pathsep + str(TESTS)
    ended = subprocess.run(  # noqa: S603 - our own command
        [sys.executable, str(Path(__file__).with_name("day_of_boards.py")), str(tmp_path_factory.mktemp("day"))],
        capture_output=True,
        text=True,
        check=False,
        timeout=600,
        env=environment(PYTHONPATH=path) | {"PYTHONPATH": path},
    )
    assert ended.returncode == 0, ended.stderr[-4000:]
    found: dict[str, Any] = json.loads(ended.stdout.splitlines()[-1])
    return found


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
    assert 7_000 <= outage["off_after_ms"] <= 12_500 + 200
    assert outage["on_again"], outage
    assert outage["kept_on"]
    assert outage["off_after_the_cut"]


def test_no_board_tells_a_secret(day: dict[str, Any]) -> None:
    said = "\n".join(line for console in day["console"].values() for line in console)
    assert "the broker hears us" in said
    assert "by hand" not in said
