"""The real daemon, a child process of its own, against a real Mosquitto."""

import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from daemon_support import BENCH, FAN, OFF, ON, SAW, SHOP, EmbeddedBroker, Process, Shopfloor
from support.child import environment, wait_until
from support.mosquitto import Mosquitto
from support.ports import free_port

from gatehand.shell.log_first import BOUND

pytestmark = pytest.mark.broker


@pytest.fixture(scope="module", params=["mosquitto", "embedded"])
def broker(request: pytest.FixtureRequest) -> Iterator[Mosquitto | EmbeddedBroker]:
    """Each broker that is supported: MQTT 5 with the one, 3.1.1 with the other."""
    with Mosquitto() if request.param == "mosquitto" else EmbeddedBroker() as found:
        yield found


def shop_on(broker: Mosquitto | EmbeddedBroker) -> str:
    """The config; the embedded broker speaks the older protocol only."""
    text = SHOP.format(port=broker.port)
    return text if isinstance(broker, Mosquitto) else text.replace("[broker]", '[broker]\nprotocol = "3.1.1"')


@pytest.fixture(scope="module")
def devices(broker: Mosquitto | EmbeddedBroker) -> Iterator[Shopfloor]:
    with Shopfloor(broker.port) as found:
        yield found


@pytest.fixture(scope="module")
def working(
    broker: Mosquitto | EmbeddedBroker, devices: Shopfloor, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[Process]:
    with Process(tmp_path_factory.mktemp("daemon"), shop_on(broker)) as found:
        wait_until(lambda: devices.told() and devices.told()[0] == OFF, what="the first off")
        yield found


@pytest.fixture
def floor(devices: Shopfloor) -> Shopfloor:
    """The devices, all of them healthy, none of the daemon's messages left."""
    devices.answering = {FAN, SAW}
    devices.on_command = lambda _topic, _text: None
    return devices


@pytest.fixture
def daemon(working: Process, floor: Shopfloor) -> Process:
    """The daemon of a shop at rest; it works for many tests one after the other, as daemons do."""
    floor.idle()
    working.mark()
    return working


def test_a_cut_then_its_run_on_then_rest(daemon: Process, floor: Shopfloor) -> None:
    since = len(floor.commands)
    floor.say("shop/band_saw/amps", "5")
    wait_until(lambda: ON in floor.told(since))
    floor.say("shop/band_saw/amps", "0")
    wait_until(lambda: (SAW, "shut") in floor.told(since))
    assert floor.told(since) == [(SAW, "open"), ON, OFF, (SAW, "shut")]
    wait_until(lambda: daemon.events("tool_stopped"), what="its line, for which a command waits 15 ms at most")
    assert [line["event"] for line in daemon.events("tool_started", "tool_stopped")] == ["tool_started", "tool_stopped"]


def test_a_change_of_station_makes_before_it_breaks(daemon: Process, floor: Shopfloor) -> None:
    since = len(floor.commands)
    floor.say("shop/band_saw/amps", "5")
    wait_until(lambda: ON in floor.told(since))
    floor.say("shop/router/amps", "6")
    floor.say("shop/band_saw/amps", "0")
    wait_until(lambda: (SAW, "shut") in floor.told(since))
    told = floor.told(since)
    assert told.index((BENCH, "open")) < told.index((SAW, "shut"))
    opens, shuts = (
        next(line["mono"] for line in daemon.events("gate_commanded") if (line["gate"], line["to"]) == wanted)
        for wanted in (("bench", "open"), ("band_saw", "shut"))
    )
    assert round(shuts - opens, 3) >= 0.3, "its travel, for it does not report"
    assert OFF not in told
    floor.say("shop/router/amps", "0")
    wait_until(lambda: OFF in floor.told(since))


def test_a_gate_that_jams_starts_nothing_and_says_which(daemon: Process, floor: Shopfloor) -> None:
    floor.answering.discard(SAW)
    since = len(floor.commands)
    floor.say("shop/band_saw/amps", "5")
    wait_until(lambda: daemon.events("gate_fault"))
    assert floor.told(since) == [(SAW, "open"), (SAW, "open")], "told again once, and no fan"
    alarm = wait_until(lambda: floor.shown("alarm/gate.band_saw.fault"))
    assert (alarm["kind"], alarm["name"]) == ("gate", "band_saw")
    floor.answering.add(SAW)
    floor.say("shop/gate/band_saw/state", "open")
    wait_until(lambda: ON in floor.told(since))
    wait_until(lambda: floor.shown("alarm/gate.band_saw.fault") is None)
    floor.say("shop/band_saw/amps", "0")
    wait_until(lambda: OFF in floor.told(since))


def test_a_hand_start_and_its_end(daemon: Process, floor: Shopfloor) -> None:
    since = len(floor.commands)
    floor.say("gatehand/gate/bench/hand", "1")
    wait_until(lambda: ON in floor.told(since))
    floor.say("gatehand/gate/bench/hand", "0")
    wait_until(lambda: OFF in floor.told(since))
    assert floor.told(since)[:3] == [(BENCH, "open"), ON, OFF]
    wait_until(lambda: daemon.events("hand_ended"), what="its line, for which a command waits 15 ms at most")
    assert len(daemon.events("hand_started", "hand_ended")) == 2


def test_stop_contact_then_reset_starts_nothing_but_a_fresh_cut_does(daemon: Process, floor: Shopfloor) -> None:
    since = len(floor.commands)
    floor.say("shop/band_saw/amps", "5")
    wait_until(lambda: ON in floor.told(since))
    stopped = len(floor.commands)
    floor.say("shop/estop", "1")
    wait_until(lambda: OFF in floor.told(stopped))
    floor.say("shop/estop", "0")
    wait_until(lambda: daemon.events("stop_cleared"))  # on a connection of its own: nothing orders it before a reset
    floor.reset()
    wait_until(lambda: daemon.events("hold_reset"))
    floor.say("shop/band_saw/amps", "5.5")
    wait_until(lambda: floor.shown("tool/band_saw")["amps"] == 5.5, what="it has been read, and a beat has passed")
    assert floor.shown("alarm/tool.band_saw.not_fresh")
    assert ON not in floor.told(stopped)
    floor.say("shop/band_saw/amps", "0")
    floor.say("shop/band_saw/amps", "5")
    wait_until(lambda: ON in floor.told(stopped))
    floor.say("shop/band_saw/amps", "0")
    wait_until(lambda: OFF in floor.told(stopped)[1:])


BAD = {
    "20 MB": b"7" * (20 * 1024 * 1024),
    "no UTF-8": b"\xff\xfe\xfd",
    "NaN": b"NaN",
    "1e999": b"1e999",
    "nested": b"[" * 50_000,
    "true": b"true",
    "JSON without pointer": b'{"amps": 9}',
}


def test_bad_payloads_change_nothing_and_each_device_says_what_it_was(daemon: Process, floor: Shopfloor) -> None:
    since = len(floor.commands)
    for number, (tool, payload) in enumerate((("band_saw", BAD["20 MB"]), ("router", BAD["no UTF-8"])), start=1):
        floor.say(f"shop/{tool}/amps", payload)
        wait_until(lambda: len(daemon.events("reading_rejected")) >= number)  # noqa: B023 - waited for at once
        line = daemon.events("reading_rejected")[-1]
        assert line["tool"] == tool
        assert "want" in line["why"]
        assert len(line["shown"]) < 120
    for payload in BAD.values():
        floor.say("shop/band_saw/amps", payload)
        floor.say("shop/gate/bench/button", payload)
        floor.say("gatehand/gate/bench/hand", payload)
    floor.say("shop/router/amps", "0.2")
    wait_until(lambda: floor.shown("tool/router")["amps"] == 0.2)
    assert floor.told(since) == []
    assert floor.shown("tool/band_saw")["state"] == "idle"


def test_the_line_that_explains_a_command_is_on_disk_when_the_command_arrives(
    daemon: Process, floor: Shopfloor
) -> None:
    wanted = {FAN: ("collector_on", "collector_off"), SAW: ("gate_commanded",), BENCH: ("gate_commanded",)}
    seen: list[bool] = []

    def look(topic: str, text: str) -> None:
        """In the observer's thread, the moment that the command is received."""
        to = {"open": "open", "shut": "shut"}.get(text)
        events = wanted[topic] if topic != FAN else (wanted[FAN][0 if text == "1" else 1],)
        gate = None if topic == FAN else topic.split("/")[2]
        found = [x for x in daemon.events(*events) if x.get("gate") == gate and (to is None or x["to"] == to)]
        seen.append(len(found) == 1)

    floor.on_command = look
    since = len(floor.commands)
    floor.say("shop/band_saw/amps", "5")
    wait_until(lambda: ON in floor.told(since))
    floor.say("shop/band_saw/amps", "0")
    wait_until(lambda: (SAW, "shut") in floor.told(since))
    assert seen == [True] * 4


def test_sigterm_leaves_the_fan_off_and_the_gates_as_they_are(daemon: Process, floor: Shopfloor) -> None:
    """The last of the tests that share a daemon."""
    since = len(floor.commands)
    floor.say("shop/band_saw/amps", "5")
    wait_until(lambda: ON in floor.told(since))
    stopping = len(floor.commands)
    assert daemon.stop() == 0, daemon.stderr
    wait_until(lambda: floor.retained.get("gatehand/online") == "0")
    assert floor.told(stopping) == [OFF]
    assert daemon.lines()[-1]["event"] == "daemon_stopped"
    assert floor.shown("collector/main")["state"] == "coast_down"
    assert "Traceback" not in daemon.stderr
    assert not daemon.events("internal_error")


# From here on each test has a daemon of its own.


@pytest.fixture
def gone(working: Process, floor: Shopfloor) -> Shopfloor:
    """The devices, without the daemon that the tests above shared, and without what it left at the broker."""
    if working.runs:
        working.stop()
    for topic in list(floor.retained):
        floor.say(topic, "", retain=True)
    wait_until(lambda: not any(floor.retained.values()), what="nothing retained")
    return floor


def test_a_retained_reading_starts_nothing(broker: Mosquitto | EmbeddedBroker, gone: Shopfloor, tmp_path: Path) -> None:
    floor, since = gone, len(gone.commands)
    floor.say("shop/band_saw/amps", "9", retain=True)
    try:
        with Process(tmp_path, shop_on(broker)) as daemon:
            wait_until(lambda: daemon.events("reading_rejected"))
            floor.say("shop/router/amps", "0.5")
            wait_until(lambda: (floor.shown("tool/router") or {}).get("amps") == 0.5, what="what came after is read")
            assert not daemon.events("tool_started")
            assert ON not in floor.told(since)
            assert floor.shown("tool/band_saw")["state"] == "unknown"
            assert daemon.stop() == 0
    finally:
        floor.say("shop/band_saw/amps", "", retain=True)


def test_a_fan_that_runs_at_the_start_is_adopted_once_a_gate_is_proven(
    broker: Mosquitto | EmbeddedBroker, gone: Shopfloor, tmp_path: Path
) -> None:
    floor, since = gone, len(gone.commands)
    floor.say("shop/fan/state", "1", retain=True)
    floor.say("shop/gate/band_saw/state", "open", retain=True)
    try:
        with Process(tmp_path, shop_on(broker)) as daemon:
            wait_until(lambda: daemon.events("collector_adopted"))
            first = floor.told(since)[0]
            assert first[1] == "open", "air before anything else"
            assert daemon.stop() == 0
    finally:
        for topic in ("shop/fan/state", "shop/gate/band_saw/state"):
            floor.say(topic, "", retain=True)


def test_a_retained_message_on_a_command_topic_is_an_alarm(
    broker: Mosquitto | EmbeddedBroker, gone: Shopfloor, tmp_path: Path
) -> None:
    floor = gone
    floor.say(FAN, "1", retain=True)
    try:
        with Process(tmp_path, shop_on(broker)) as daemon:
            alarm = wait_until(lambda: floor.shown("alarm/collector.main.retained_command"))
            assert FAN in alarm["because"]
            assert daemon.stop() == 0
    finally:
        floor.say(FAN, "", retain=True)


def test_a_broker_killed_and_revived_brings_no_late_command(tmp_path: Path) -> None:
    with (
        Mosquitto() as broker,
        Shopfloor(broker.port) as floor,
        Process(tmp_path, shop_on(broker)) as daemon,
    ):
        floor.idle()
        since = len(floor.commands)
        floor.say("shop/band_saw/amps", "5")
        wait_until(lambda: ON in floor.told(since))
        # Lost with the broker, this report would leave an off behind that nobody was there to hear, and nobody misses.
        wait_until(lambda: daemon.events("collector_running"))
        broker.kill9()
        wait_until(lambda: daemon.events("broker_lost"))
        lost = len(floor.commands)
        broker.revive()
        wait_until(lambda: len(daemon.events("broker_connected")) == 2)
        wait_until(lambda: (floor.shown("collector/main") or {}).get("state"), what="the status is there again")

        def off_after_the_meter_spoke() -> bool:
            """The saw stopped while the broker was away; its meter says so again and again, as meters do."""
            floor.say("shop/band_saw/amps", "0")
            time.sleep(0.2)
            return OFF in floor.told(lost)

        wait_until(off_after_the_meter_spoke)
        assert (FAN, "1") not in floor.told(lost)
        assert daemon.stop() == 0


def test_a_broker_that_is_not_there_is_waited_for(tmp_path: Path) -> None:
    with Process(tmp_path, SHOP.format(port=free_port())) as daemon:
        wait_until(lambda: daemon.events("unreachable"))
        assert daemon.runs
        assert daemon.stop() == 0
        assert "cannot reach" in daemon.stderr or "broker" in daemon.stderr


def test_a_disk_that_stalls_lets_the_commands_out_all_the_same(tmp_path: Path) -> None:
    program = """
import os, sys, time
from gatehand.journal import disk
real = disk.Disk.write
def slow(self, handle, data):
    while os.path.exists(os.environ["STALL"]):
        time.sleep(0.01)
    return real(self, handle, data)
disk.Disk.write = slow
from gatehand.cli import main
sys.exit(main())
"""
    stall = tmp_path / "stall"
    env = environment(STALL=str(stall))
    with (
        Mosquitto() as broker,
        Shopfloor(broker.port) as floor,
        Process(tmp_path, shop_on(broker), env=env, program=program) as daemon,
    ):
        floor.idle()
        daemon.mark()
        stall.touch()
        since = len(floor.commands)
        floor.say("shop/band_saw/amps", "5")
        wait_until(lambda: ON in floor.told(since), what="both commands, while not a line is written")
        assert not daemon.events("gate_commanded", "collector_on")
        stall.unlink()
        (late,) = wait_until(lambda: daemon.events("log_late"))
        assert late["late"] >= 2
        assert late["stalled"] >= BOUND
        floor.say("shop/band_saw/amps", "0")
        wait_until(lambda: OFF in floor.told(since))
        assert daemon.stop() == 0


def test_a_full_disk_costs_log_lines_and_an_alarm_and_never_a_running_fan(tmp_path: Path) -> None:
    program = """
import errno, os, sys
from gatehand.journal import disk
real = disk.Disk.write
def full(self, handle, data):
    if os.path.exists(os.environ["FULL"]):
        raise OSError(errno.ENOSPC, "No space left on device")
    return real(self, handle, data)
disk.Disk.write = full
from gatehand.cli import main
sys.exit(main())
"""
    full = tmp_path / "full"
    env = environment(FULL=str(full))
    with (
        Mosquitto() as broker,
        Shopfloor(broker.port) as floor,
        Process(tmp_path, shop_on(broker), env=env, program=program) as daemon,
    ):
        floor.idle()
        full.touch()
        since = len(floor.commands)
        floor.say("shop/band_saw/amps", "5")
        wait_until(lambda: ON in floor.told(since))
        alarm = wait_until(lambda: floor.shown("alarm/daemon.main.log"))
        assert "No space left" in alarm["because"]
        floor.say("shop/router/amps", "0.5")
        wait_until(lambda: (floor.shown("tool/router") or {}).get("amps") == 0.5, what="a beat later")
        assert OFF not in floor.told(since), "the fan runs on"
        full.unlink()
        wait_until(lambda: floor.shown("alarm/daemon.main.log") is None)
        floor.say("shop/band_saw/amps", "0")
        wait_until(lambda: OFF in floor.told(since))
        (gap,) = wait_until(lambda: daemon.events("log_gap"))
        assert gap["lost"] >= 3
        assert daemon.stop() == 0
