"""What is said of a fan or a gate names what says so and how old that is, and never more than was said."""

from datetime import datetime
from typing import Any

import pytest
from shell_support import SHOP, World

from gatehand.journal.sentences import sentence
from gatehand.times import stamp
from gatehand_rules.events import HoldAsked, OffAsked

STATE = 'state = { topic = "shop/fan/state", on = "1", off = "0" }\n'
WATCHED = SHOP.replace(STATE, STATE + 'current = { topic = "shop/fan/amps" }\n')
MISSPELT = SHOP.replace(STATE, 'state = { topic = "shop/fan/state", on = "ON", off = "OFF" }\n')
GATE_ONLINE = SHOP.replace(
    "travel = 1\nbutton", 'travel = 1\nonline = { topic = "shop/saw_gate/online", active = "1", clear = "0" }\nbutton'
)
PASSED = "its coast-down of 2 s has passed"
NO_ANSWER, FAULT = "alarm/collector.main.no_answer", "alarm/gate.band_saw.fault"


def beats(world: World, seconds: int) -> None:
    for _ in range(seconds):
        world.run(1)
        world.say("shop/band_saw/amps", "0")
        world.say("shop/router/amps", "0")
        world.engine.beat()


def watched(text: str = WATCHED, amps: str | None = "6.4") -> World:
    """A cut is over; the fan is being switched off."""
    world = World(text).cutting()
    if amps is not None:
        world.say("shop/fan/amps", amps)
    beats(world, 11)
    assert world.shown("collector/main")["state"] == "coast_down"
    return world


def alarm(world: World, topic: str = NO_ANSWER) -> Any:  # noqa: ANN401 - JSON
    return world.shown(topic)


def test_a_switch_that_says_off_and_a_meter_that_has_not_spoken_since_are_both_told_and_no_relay_is_blamed() -> None:
    world = watched()
    world.run(0.1)
    world.say("shop/fan/state", "0")
    beats(world, 16)
    found = alarm(world)
    assert found["because"] == (
        "The collector main was switched off, but that is not confirmed: its switch reports off; its motor's meter "
        "last said 6.4 A, 21 s before this alarm."
    )
    assert "welded" not in found["because"]
    assert found["next"].startswith("Look at the fan. If it turns,")
    world.say("shop/fan/amps", "6.4")
    beats(world, 12)
    found = alarm(world)
    assert "its motor draws 6.4 A" in found["because"], "heard since: now it is evidence"
    assert "may be welded" in found["next"]
    world.say("shop/fan/amps", "0")
    beats(world, 2)
    assert alarm(world) is None


def test_a_reason_says_what_is_so_when_the_coast_down_has_passed_and_the_off_is_not_confirmed() -> None:
    world = watched()
    world.run(0.1)
    world.say("shop/fan/state", "0")
    assert world.shown("collector/main")["because"] == (
        "collector switched off, nothing needs it any more; the fan coasts for up to 2 s"
    )
    beats(world, 3)
    shown = world.shown("collector/main")
    assert shown["switched"]["answered"] is False
    assert (shown["state"], shown["because"]) == (
        "coast_down",
        "switched off, but its motor's meter has not spoken since",
    )
    sent = len([each for each in world.transport.sent if each.topic == "gatehand/collector/main"])
    beats(world, 5)
    after = len([each for each in world.transport.sent if each.topic == "gatehand/collector/main"])
    assert after == sent + 1, "once, when the meter's word has grown old"
    world.say("shop/fan/amps", "6.4")
    beats(world, 1)
    assert world.shown("collector/main")["because"] == "switched off, but its motor still draws current"
    world.say("shop/fan/state", "1")
    beats(world, 1)
    assert world.shown("collector/main")["because"] == (
        "switched off, but its switch still reports on and its motor still draws current"
    )
    world.say("shop/fan/state", "0")
    world.say("shop/fan/amps", "0")
    beats(world, 3)
    shown = world.shown("collector/main")
    assert shown["switched"]["answered"] is True
    assert (shown["state"], shown["because"]) == ("off", "its coast-down has passed: the fan has stopped turning")


def test_what_was_said_of_a_fan_while_it_coasted_is_over_with_the_coast_down() -> None:
    world = World(WATCHED).connect()
    world.say("shop/fan/state", "1")
    world.say("shop/fan/amps", "6.4")
    world.run(0.5)
    shown = world.shown("collector/main")
    assert (shown["state"], "turns against shut gates" in shown["because"]) == ("coast_down", True)
    world.say("shop/fan/state", "0")
    world.say("shop/fan/amps", "0")
    beats(world, 4)
    shown = world.shown("collector/main")
    assert (shown["state"], shown["because"]) == ("off", "its coast-down has passed: the fan has stopped turning")


@pytest.mark.parametrize(
    ("fan", "because"),
    [
        (
            (("shop/fan/state", "0"),),
            f"{PASSED} and its switch reports off; what watches its motor has not said that it has stopped",
        ),
        ((), f"{PASSED}; nothing confirms that it has stopped"),
    ],
)
def test_an_off_that_is_not_confirmed_is_not_told_as_a_fan_that_has_stopped(
    fan: tuple[tuple[str, str], ...], because: str
) -> None:
    world = World(WATCHED).connect(("shop/gate/band_saw/state", "shut"))
    for topic, text in fan:
        world.say(topic, text)
    world.engine.handle(OffAsked("main"))
    beats(world, 5)
    shown = world.shown("collector/main")
    assert shown["switched"]["answered"] is False
    assert (shown["state"], shown["because"]) == ("off", because)
    world.say("shop/fan/state", "0")
    world.say("shop/fan/amps", "0")
    beats(world, 1)
    shown = world.shown("collector/main")
    assert shown["switched"]["answered"] is True
    assert shown["because"] == "collector switched off on request; only a fresh start switches it on again"


def test_a_start_is_told_by_the_witness_that_says_so_and_not_by_a_meter_that_spoke_too_early() -> None:
    world = World(WATCHED).rested()
    world.say("shop/band_saw/amps", "5")
    world.run(0.3)
    world.say("shop/gate/band_saw/state", "open")
    world.run(0.01)
    world.say("shop/fan/amps", "0")
    world.run(0.1)
    world.say("shop/fan/state", "1")
    line = world.events("collector_running")[-1]
    assert (line["drawing"], line["motor_amps"]) == (False, 0.0), "the fact stays"
    assert sentence(line) == "collector is running: its switch reports on"


@pytest.mark.parametrize(("because", "by_stop"), [("", False), ("emergency", True)])
def test_a_hold_says_whether_a_stop_contact_caused_it(because: str, *, by_stop: bool) -> None:
    world = World().rested()
    if by_stop:
        world.say("shop/estop", "1")
    else:
        world.engine.handle(HoldAsked("main", because))
    world.run(1)
    shown = world.shown("collector/main")
    assert (shown["held"], shown["held_by_stop"]) == (because or "asked for", by_stop)


def test_a_meter_that_is_not_heard_after_a_start_makes_no_alarm_of_a_switch_that_says_off() -> None:
    world = World(WATCHED).connect(("shop/fan/state", "0"), ("shop/gate/band_saw/state", "shut"))
    beats(world, 120)
    assert alarm(world) is None
    assert not world.events("collector_unanswered")
    assert world.shown("collector/main")["state"] == "off"
    assert world.shown("collector/main")["motor"] == {"amps": None, "at": None, "kept": False, "recent": False}


def test_a_switch_whose_words_are_misspelt_is_told_with_its_topic_and_its_word() -> None:
    world = World(MISSPELT).connect(("shop/gate/band_saw/state", "shut"))
    world.say("shop/fan/state", "off")
    beats(world, 16)
    found = alarm(world)
    assert (
        "its switch said 'off' on shop/fan/state, which was not understood (found another word, want 'ON' or "
        in (found["because"])
    )
    assert "Correct state in [collector.main] of the config" in found["next"]
    line = world.events("collector_unanswered")[0]
    assert (line["switch_said"], line["switch_topic"]) == ("off", "shop/fan/state")


def test_a_motor_that_has_tripped_behind_a_switch_that_says_on_is_told_as_that() -> None:
    world = World(WATCHED).cutting()
    world.say("shop/fan/state", "1")
    for _ in range(12):
        world.run(1)
        world.say("shop/band_saw/amps", "5")
        world.say("shop/fan/amps", "0")
        world.engine.beat()
    found = alarm(world)
    assert found["because"] == (
        "The collector main does not turn, though it was switched on: its switch reports on; its motor draws nothing "
        "(0 A)."
    )
    assert found["next"].startswith(
        "Lock it out, then look at its overload, its breaker and its thermal trip; `gatehand why main`"
    )
    assert "is told" not in found["next"], "its switch has heard it"


def test_a_motor_that_trips_once_it_ran_is_no_longer_confirmed_and_one_that_never_ran_is_not_yet() -> None:
    def run(world: World, amps: str, seconds: int) -> dict[str, Any]:
        for _ in range(seconds):
            world.run(1)
            world.say("shop/band_saw/amps", "5")
            world.say("shop/fan/amps", amps)
            world.engine.beat()
        shown: dict[str, Any] = world.shown("collector/main")["switched"]
        return shown

    world = World(WATCHED).cutting()
    world.say("shop/fan/state", "1")
    shown = run(world, "0", 9)
    assert (shown["answered"], shown["no_longer"]) == (False, False)
    shown = run(world, "6.4", 2)
    assert (shown["answered"], shown["no_longer"]) == (True, False)
    shown = run(world, "0.02", 9)
    assert (shown["to"], shown["answered"], shown["no_longer"]) == ("on", False, True)
    shown = run(world, "0.02", 30)
    assert (shown["answered"], shown["no_longer"]) == (False, True), "told again, it has been confirmed all the same"
    world.engine.handle(OffAsked("main"))
    world.engine.beat()
    shown = world.shown("collector/main")["switched"]
    assert (shown["to"], shown["answered"], shown["no_longer"]) == ("off", False, False)


def test_a_meter_that_has_not_spoken_since_the_start_does_not_make_the_motor_a_tripped_one() -> None:
    world = World(WATCHED).rested()
    world.say("shop/fan/amps", "0")
    world.run(2)
    world.say("shop/band_saw/amps", "5")
    world.run(0.3)
    world.say("shop/gate/band_saw/state", "open")
    world.say("shop/fan/state", "1")
    for _ in range(20):
        world.run(1)
        world.say("shop/band_saw/amps", "5")
        world.engine.beat()
    assert alarm(world)["next"] == (
        "Look at the fan: what watches its motor has not spoken since. If it does not turn, lock it out, then look at "
        "its overload and its breaker."
    )


def test_a_motor_that_draws_behind_a_switch_that_is_not_heard_sends_to_its_report_and_to_no_breaker() -> None:
    world = World(WATCHED).rested()
    world.say("shop/fan/state", "0")
    world.say("shop/band_saw/amps", "5")
    world.run(0.3)
    world.say("shop/gate/band_saw/state", "open")
    for _ in range(20):
        world.run(1)
        world.say("shop/band_saw/amps", "5")
        world.say("shop/fan/amps", "6.4")
        world.engine.beat()
    assert alarm(world)["next"] == (
        "The motor runs: look at what its switch reports, and at state in [collector.main] (topic, pointer, on, off)."
    )
    assert "its motor draws 6.4 A" in alarm(world)["because"]


def test_a_gate_whose_device_is_offline_is_not_called_jammed() -> None:
    world = World(GATE_ONLINE).rested()
    world.say("shop/saw_gate/online", "1")
    world.say("shop/saw_gate/online", "0")
    beats(world, 20)
    world.say("shop/band_saw/amps", "5")
    for _ in range(4):
        world.run(1)
        world.say("shop/band_saw/amps", "5")
    found = alarm(world, FAULT)
    assert "its device had been offline for 23 s" in found["because"]
    assert "end switch" not in found["next"]
    assert "power and the network" in found["next"]
    assert world.events("gate_fault")[0]["offline"] is True


def test_a_gate_that_is_shut_and_has_nothing_to_say_is_no_fault_after_a_start() -> None:
    world = World().connect(("shop/fan/state", "0"))
    beats(world, 40)
    assert alarm(world, FAULT) is None
    assert not world.events("gate_fault")
    shown = world.shown("gate/band_saw")
    assert (shown["state"], shown["known_by"], shown["reported_at"]) == ("unknown", None, None)
    assert "has not said where it is" in shown["because"]
    told = len(world.commands())
    beats(world, 60)
    assert len(world.commands()) == told, "it is left alone"
    world.say("shop/gate/band_saw/state", "shut")
    assert world.shown("gate/band_saw")["state"] == "shut"
    assert "late_by" not in {key for key, value in world.events("gate_shut")[-1].items() if value}


def test_a_status_says_what_each_witness_said_and_when_without_a_message_for_each_reading() -> None:
    world = World(WATCHED).cutting()
    world.say("shop/fan/amps", "6.4")
    world.engine.beat()
    shown = world.shown("collector/main")
    assert shown["switch"].keys() == {"at", "kept", "recent"}
    assert (shown["reported_on"], shown["switch"]["recent"], shown["switch"]["kept"]) == (True, True, False)
    assert (shown["motor"]["amps"], shown["motor"]["recent"]) == (6.4, True)
    assert shown["switched"]["to"] == "on"
    assert shown["switched"]["answered"] is True
    before = len([each for each in world.transport.sent if each.topic == "gatehand/collector/main"])
    for n in range(20):
        world.run(0.5)
        world.say("shop/fan/amps", f"{6.4 + (n % 2) / 100}")
        world.say("shop/band_saw/amps", "5")
        world.engine.beat()
    after = [each for each in world.transport.sent if each.topic == "gatehand/collector/main"]
    assert len(after) == before
    for _ in range(16):
        world.run(1)
        world.say("shop/band_saw/amps", "5")
        world.engine.beat()
    shown = world.shown("collector/main")
    assert shown["motor"]["recent"] is False, "it is told once when it has grown old, with its time"
    assert shown["motor"]["at"]


def test_a_tool_says_when_its_reading_was_heard_also_after_a_lost_connection() -> None:
    world = World().cutting()
    world.engine.beat()
    heard = world.shown("tool/band_saw")["reading_at"]
    world.lose()
    world.run(5)
    world.connect()
    world.run(1)
    assert world.shown("tool/band_saw")["reading_at"] == heard


def test_a_steady_reading_is_as_old_as_it_is_once_the_daemon_has_stopped() -> None:
    """Otherwise its last status is of when it last moved, long before."""
    world = World().cutting()
    beats_cutting(world, 45)
    last = world.engine.clock.wall()
    shown = datetime.fromisoformat(world.shown("tool/band_saw")["reading_at"])
    assert shown.timestamp() < last - 30, "nothing has moved"
    world.say("shop/band_saw/amps", "5")
    world.run(3)
    world.engine.stop()
    assert world.shown("tool/band_saw")["reading_at"] == stamp(last)


def test_a_daemon_without_a_broker_shows_nothing_when_it_stops() -> None:
    world = World().cutting()
    world.lose()
    sent = len(world.transport.sent)
    world.engine.stop()
    assert [each.topic for each in world.transport.sent[sent:] if each.topic.startswith("gatehand/tool/")] == []


@pytest.mark.parametrize(
    ("by_hand", "whom"), [(False, "band saw is running"), (True, "band saw is running; hand start at ")]
)
def test_a_collector_that_runs_says_for_whom(whom: str, *, by_hand: bool) -> None:
    world = World().cutting()
    if by_hand:
        world.say("gatehand/gate/bench/hand", "1")
    beats_cutting(world, 3)
    assert world.shown("collector/main")["because"] == f"{whom}{'bench' if by_hand else ''}"


def beats_cutting(world: World, seconds: int) -> None:
    for _ in range(seconds):
        world.run(1)
        world.say("shop/band_saw/amps", "5")
        world.engine.beat()
