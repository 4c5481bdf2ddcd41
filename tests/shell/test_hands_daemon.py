"""`gatehand reset`, `hold` and `hand` against the real daemon and a real Mosquitto: what is done, and what is said."""

import json
import time
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest
from daemon_support import BENCH, OFF, ON, SHOP, Process, Shopfloor
from support.child import wait_until
from support.mosquitto import Mosquitto

from gatehand.cli import main

pytestmark = pytest.mark.broker
PRESSES_COUNT = 2.0
"""Seconds of quiet that a reset by message wants before it."""


@pytest.fixture(scope="module")
def floor(broker: Mosquitto) -> Iterator[Shopfloor]:
    with Shopfloor(broker.port) as found:
        yield found


@pytest.fixture(scope="module")
def daemon(broker: Mosquitto, floor: Shopfloor, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Process]:
    with Process(tmp_path_factory.mktemp("daemon"), SHOP.format(port=broker.port)) as found:
        wait_until(lambda: OFF in floor.told(), what="the first off")
        floor.idle()
        yield found
        assert found.stop() == 0, found.stderr


def state(floor: Shopfloor) -> str:
    return str((floor.shown("collector/main") or {}).get("state"))


class Said:
    """What a command has said."""

    def __init__(self, daemon: Process, capsys: pytest.CaptureFixture[str], *words: str) -> None:
        capsys.readouterr()
        self.code = main([words[0], "--config", str(daemon.config), *words[1:]])
        self.out, self.err = capsys.readouterr()

    @property
    def json(self) -> dict[str, object]:
        found: dict[str, object] = json.loads(self.out)
        return found


def test_a_hand_start_says_until_when_and_the_fan_waits_for_the_open_gate(
    daemon: Process, floor: Shopfloor, capsys: pytest.CaptureFixture[str]
) -> None:
    wait_until(lambda: state(floor) == "off")
    since = len(floor.commands)
    begun = Said(daemon, capsys, "hand", "bench", "--json", "--by", "Anna")
    assert begun.code == 0
    assert begun.json["gate"] == "bench"
    left = (datetime.fromisoformat(str(begun.json["until"])) - datetime.now(UTC)).total_seconds()
    assert 30 * 60 - 60 < left <= 30 * 60 + 1
    assert "starts once the gate is proven open" in str(begun.json["next"])
    wait_until(lambda: ON in floor.told(since))
    told = floor.told(since)
    assert told.index((BENCH, "open")) < told.index(ON)
    asked_again = Said(daemon, capsys, "hand", "bench")
    assert asked_again.code == 0
    assert "Gate bench: its hand start had already begun." in asked_again.out
    assert "ends at 20" in asked_again.out, "asked twice is asked once, and it still says until when"
    ended = Said(daemon, capsys, "hand", "bench", "--off")
    assert ended.code == 0
    assert "hand start ended" in ended.out
    wait_until(lambda: floor.told(since)[-1] in {OFF, (BENCH, "shut")})
    none = Said(daemon, capsys, "hand", "bench", "--off")
    assert (none.code, none.out) == (0, "Gate bench: there was no hand start to end; nothing has changed.\n")


def test_a_hold_and_its_reset_say_what_was_done_what_was_refused_and_what_next(
    daemon: Process, floor: Shopfloor, capsys: pytest.CaptureFixture[str]
) -> None:
    wait_until(lambda: state(floor) in {"off", "coast_down"})
    hold = Said(daemon, capsys, "hold", "--because", "filter change", "--by", "Anna")
    assert (hold.code, hold.err) == (0, "")
    assert hold.out.splitlines()[0] == (
        "Collector is on hold (filter change), until somebody resets it; asked for by Anna."
    )
    assert "not a lockout" in hold.out
    assert "gatehand reset main" in hold.out
    line = wait_until(lambda: daemon.events("collector_held"))[-1]
    assert (line["why"], line["by"]) == ("filter change", "Anna")
    wait_until(lambda: state(floor) == "held")

    since = len(floor.commands)
    hand = Said(daemon, capsys, "hand", "band_saw")
    assert hand.code == 1
    assert "on hold until somebody resets it" in hand.out
    assert "gatehand reset main" in hand.out

    floor.say("shop/estop", "1")
    wait_until(lambda: daemon.events("stop_active"), what="the stop is heard")
    refused = Said(daemon, capsys, "reset", "--json")
    assert refused.code == 1
    assert (refused.json["ok"], refused.json["answered"], refused.json["collector"]) == (False, True, "main")
    assert (refused.json["rule"], refused.json["text"]) == (
        "stop_contact",
        "collector: reset refused, still active: emergency",
    )
    assert "release that stop contact; then wait 2 s and reset: gatehand reset main" in str(refused.json["next"])

    floor.say("shop/estop", "0")
    wait_until(lambda: daemon.events("stop_cleared"), what="the stop is clear")

    def refused_as_a_repeated_one() -> bool:
        Said(daemon, capsys, "hold", "--because", "filter change")  # a busy machine may have let a reset count
        floor.say("gatehand/collector/main/reset", "")  # of a script that repeats itself
        soon = Said(daemon, capsys, "reset")
        return soon.code == 1 and "wait 2 s and press once" in soon.out

    wait_until(refused_as_a_repeated_one)

    def counts() -> bool:
        time.sleep(PRESSES_COUNT)
        done = Said(daemon, capsys, "reset", "--by", "Anna")
        if done.code == 0:
            assert "it was reset by Anna" in done.out
            assert "Nothing starts by itself" in done.out
        return done.code == 0

    wait_until(counts)
    wait_until(lambda: state(floor) != "held")
    again = Said(daemon, capsys, "reset")
    assert again.code == 1
    assert "it is not on hold" in again.out
    assert ON not in floor.told(since), "a reset starts nothing"
    assert (BENCH, "open") not in floor.told(since)


@pytest.mark.parametrize(
    ("words", "hint"),
    [
        (("reset", "mian"), "did you mean main?"),
        (("hold", "mian", "--because", "x"), "did you mean main?"),
        (("hand", "band_sow"), "did you mean band_saw?"),
        (("hold",), "--because"),
        (("hold", "--because", " "), "found no reason"),
        (("hand",), "GATE"),
    ],
)
def test_wrong_usage_says_what_was_meant(
    daemon: Process, capsys: pytest.CaptureFixture[str], words: tuple[str, ...], hint: str
) -> None:
    said = Said(daemon, capsys, *words)
    assert (said.code, said.out) == (2, "")
    assert hint in said.err


def test_without_a_config_the_names_are_those_that_the_daemon_shows(
    daemon: Process, broker: Mosquitto, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    there = ("--config", str(tmp_path / "none.toml"), "--broker", f"127.0.0.1:{broker.port}")
    assert daemon.runs
    assert main(["hand", *there, "banch"]) == 2
    assert "did you mean bench?" in capsys.readouterr().err
    assert main(["hand", *there, "bench", "--off", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["ok"] is True
