"""The loop around the rules: what goes in, what leaves, in which order, and what happens without a connection."""

import pytest
from msgspec.structs import replace
from shell_support import SHOP, World

from gatehand.mqtt.transport import Connected, MessageKind, Notice, NoticeKind
from gatehand_rules import events as ev
from gatehand_rules.findings import Alarm
from gatehand_rules.state import collector_word

FAN, SAW, BENCH = "shop/fan/set", "shop/gate/band_saw/set", "shop/gate/bench/set"


def test_at_start_an_unknown_fan_is_told_off_and_nothing_is_told_on() -> None:
    world = World().connect()
    assert (FAN, "0") in world.commands()
    assert (FAN, "1") not in world.commands()


def test_a_cut_opens_its_gate_and_starts_the_fan_once_it_is_proven() -> None:
    world = World().rested()
    began = world.clocks.now
    world.say("shop/band_saw/amps", "5")
    assert world.commands(began) == [(SAW, "open")]
    world.run(0.3)
    world.say("shop/gate/band_saw/state", "open")
    assert world.commands(began) == [(SAW, "open"), (FAN, "1")]


def test_run_on_then_off_then_the_gate_shuts_when_the_fan_stands_still() -> None:
    world = World().cutting()
    stopped = world.clocks.now
    world.say("shop/band_saw/amps", "0")
    world.run(9.9)
    assert (FAN, "0") not in world.commands(stopped)
    world.run(0.2)
    world.say("shop/fan/state", "0")
    assert world.commands(stopped) == [(FAN, "0")]
    world.run(2.1)
    assert world.commands(stopped) == [(FAN, "0"), (SAW, "shut")]


def test_a_change_of_station_opens_before_it_shuts() -> None:
    world = World().cutting()
    world.say("shop/band_saw/amps", "0")
    changed = world.clocks.now
    world.say("shop/router/amps", "6")
    world.run(0.9)
    assert world.commands(changed) == [(BENCH, "open")]
    world.run(0.3)
    assert world.commands(changed) == [(BENCH, "open")], "the run-on of the saw still has its gate"
    world.run(10)
    assert world.commands(changed)[1] == (SAW, "shut")


def test_each_command_leaves_after_the_lines_that_explain_it_are_on_disk() -> None:
    world = World().cutting()
    explained = {"gate_commanded": 0, "collector_on": 0, "collector_off": 0}
    for sent in world.transport.sent:
        if sent.kind is MessageKind.STATUS:
            continue
        event = "gate_commanded" if sent.topic != FAN else "collector_on" if sent.text == "1" else "collector_off"
        explained[event] += 1
        before = [line for line in world.log.on_disk[: sent.lines_on_disk] if line["event"] == event]
        assert len(before) >= explained[event], f"{sent} left before its line was on disk"
    assert explained["collector_on"] == 1


def test_a_disk_that_stalls_costs_a_command_its_bound_and_later_ones_nothing() -> None:
    world = World().rested()
    world.log.stalled = True
    began = world.clocks.now
    world.say("shop/band_saw/amps", "5")
    assert [(sent.topic, sent.text) for sent in world.acts(began)] == [(SAW, "open")]
    assert world.acts(began)[0].at == pytest.approx(began + 0.015)
    world.run(0.2)
    later = world.clocks.now
    world.say("shop/gate/band_saw/state", "open")
    assert world.commands(later) == [(FAN, "1")]
    assert world.clocks.now == later, "while the stall lasts nothing waits any more"
    world.log.flush()
    world.engine.beat()
    (late,) = world.events("log_late")
    assert late["late"] == 2
    assert late["stalled"] == pytest.approx(0.215, abs=0.005)
    # And once it is over, commands wait for their lines again.
    world.run(0.1)
    world.log.stalled = True
    again = world.clocks.now
    world.say("shop/router/amps", "5")
    assert world.acts(again)[0].at == pytest.approx(again + 0.015)


def test_an_off_by_a_stop_contact_waits_for_no_line_and_other_commands_wait_as_before() -> None:
    world = World().cutting()
    world.log.stalled = True
    stopped = world.clocks.now
    world.say("shop/estop", "1")
    assert world.commands(stopped) == [(FAN, "0")]
    assert world.clocks.now == stopped
    world.log.flush()
    world.engine.beat()
    assert not world.events("log_late"), "nothing stalled: the off was only faster than its line"
    assert {"stop_active", "collector_off"} <= {line["event"] for line in world.log.on_disk}


def test_an_off_for_a_fan_against_shut_gates_waits_for_no_line() -> None:
    world = World().cutting()
    world.log.stalled = True
    shut = world.clocks.now
    world.say("shop/gate/band_saw/state", "shut")
    assert (FAN, "0") in world.commands(shut)
    assert world.clocks.now == shut
    world.log.flush()
    assert world.events("fan_unsafe")


def test_a_stall_that_an_off_has_overtaken_is_told_too() -> None:
    world = World().cutting()
    world.log.stalled = True
    stopped = world.clocks.now
    world.say("shop/estop", "1")
    world.run(0.3)
    world.log.flush()
    world.engine.beat()
    (late,) = world.events("log_late")
    assert late["late"] == len(world.acts(stopped))
    assert late["stalled"] == pytest.approx(0.3, abs=0.03)


def test_commands_keep_their_order_when_events_come_faster_than_the_disk() -> None:
    world = World().rested()
    world.log.stalled = True
    began = world.clocks.now
    world.say("shop/band_saw/amps", "5")
    world.say("shop/estop", "1")
    world.log.flush()
    assert world.commands(began) == [(SAW, "open"), (FAN, "0")]


def test_no_on_that_was_decided_before_a_stop_leaves_after_its_off() -> None:
    world = World().rested()
    world.say("shop/band_saw/amps", "5")
    world.run(0.3)
    world.log.stalled = True
    since = world.clocks.now
    world.say("shop/gate/band_saw/state", "open")
    world.say("shop/estop", "1")
    assert world.commands(since) == [(FAN, "1"), (FAN, "0")]
    world.run(0.5)
    world.log.flush()
    world.run(0.1)
    assert world.commands(since) == [(FAN, "1"), (FAN, "0")]


def test_what_was_decided_before_the_connection_went_does_not_leave_after_it() -> None:
    world = World().rested()
    world.log.stalled = True
    world.transport.connected = False
    world.say("shop/band_saw/amps", "5")
    world.lose()
    gone = world.clocks.now
    world.log.flush()
    world.run(1)
    assert world.commands(gone) == []
    (line,) = world.events("command_not_sent")
    assert (line["gate"], line["command"]) == ("band_saw", "open")


def test_what_waited_for_the_disk_does_not_leave_with_the_next_connection_either() -> None:
    world = World().rested()
    world.log.stalled = True
    world.say("shop/band_saw/amps", "5")
    world.run(0.001)
    world.lose()
    world.transport.connected = True
    world.engine.on_connected(Connected("5", "127.0.0.1", 1883))
    back = world.clocks.now
    world.run(0.01)
    world.log.flush()
    assert world.commands(back) == [], "written for the connection that is gone"


def test_a_command_that_never_left_counts_as_given_after_the_broker_was_last_heard() -> None:
    world = World().rested()
    world.transport.connected = False
    told = world.clocks.now
    world.say("shop/band_saw/amps", "5")
    world.run(0.01)
    world.say("shop/band_saw/amps", "5")
    world.lose(heard_at=world.clocks.now)
    (lost,) = [event for _, event in world.recorder.events if isinstance(event, ev.BrokerLost)]
    assert lost.heard_at < told


def test_a_command_that_waited_for_the_disk_and_may_not_have_arrived_counts_from_its_decision() -> None:
    """The days of faults found it (seed 11, day 328): decided before the broker was last heard, given after."""
    world = World().rested()
    world.log.stalled = True
    decided = world.clocks.now
    world.say("shop/band_saw/amps", "6")
    world.run(0.1)
    (sent,) = [each for each in world.transport.sent if each.kind is MessageKind.ACT and each.at > decided]
    world.engine.beat()  # something happens in between, so that the decision is not the last thing before the loss
    world.lose(heard_at=sent.at - 0.005)
    lost = world.recorder.events[-1][1]
    assert isinstance(lost, ev.BrokerLost)
    assert lost.heard_at < decided


def test_nothing_commanded_without_a_connection_is_sent_with_the_next_one() -> None:
    world = World().cutting()
    world.lose()
    world.clocks.now += 1
    world.say("shop/estop", "1")
    lost = world.clocks.now
    world.run(60)
    assert world.commands(lost) == []
    world.connect(("shop/estop", "1"), ("shop/fan/state", "1"), ("shop/gate/band_saw/state", "open"))
    sent = world.commands(lost)
    assert (FAN, "0") in sent
    assert (FAN, "1") not in sent
    assert world.events("command_not_sent")


def test_a_gate_that_cannot_report_is_no_longer_proven_when_its_command_may_not_have_left() -> None:
    world = World().rested()
    world.log.stalled = True
    heard = world.clocks.now
    world.say("shop/router/amps", "6")
    # The loss is noticed now, the broker was last heard when the reading came: the command left later.
    world.lose(heard_at=heard)
    world.log.flush()
    back = world.clocks.now
    world.run(5)
    world.connect(("shop/fan/state", "0"), ("shop/gate/band_saw/state", "shut"))
    assert (FAN, "1") not in world.commands(back)
    assert (BENCH, "open") in world.commands(back)
    world.say("shop/router/amps", "6")
    world.run(1.1)
    world.say("shop/router/amps", "6")
    assert world.commands(back)[-1] == (FAN, "1")


def test_a_retained_reading_starts_nothing() -> None:
    world = World()
    world.connect(("shop/fan/state", "0"), ("shop/gate/band_saw/state", "shut"), ("shop/band_saw/amps", "9"))
    world.run(60)
    assert (FAN, "1") not in world.commands()


def test_a_retained_button_reset_or_hand_does_nothing() -> None:
    world = World().rested()
    began = world.clocks.now
    for topic in ("shop/gate/band_saw/button", "gatehand/gate/bench/hand"):
        world.say(topic, "1", retained=True)
    world.say("gatehand/collector/main/reset", "1", retained=True)
    world.run(5)
    assert world.commands(began) == []


def test_time_given_to_the_rules_is_in_whole_milliseconds_and_never_goes_back() -> None:
    world = World().rested()
    world.clocks.now += 0.00049
    world.say("shop/band_saw/amps", "0.2")
    world.engine.handle(ev.Reading("band_saw", 0.3), received=world.clocks.now - 5)
    times = [at for at, _ in world.recorder.events]
    assert times == sorted(times)
    assert all(isinstance(at, int) for at in times)


def test_every_event_that_the_rules_are_given_is_recorded_in_order() -> None:
    world = World().cutting()
    kinds = {type(event).__name__ for _, event in world.recorder.events}
    assert {"BrokerConnected", "Reading", "GateReport", "CollectorReport", "Tick"} <= kinds


def test_one_timer_stands_at_the_next_deadline() -> None:
    world = World().cutting()
    assert world.timers.waiting == 1
    for _ in range(50):
        world.run(0.1)
        world.say("shop/band_saw/amps", "5")
        assert world.timers.waiting == 1


def test_a_clean_stop_tells_the_fan_off_and_leaves_the_gates() -> None:
    world = World().cutting()
    began = world.clocks.now
    world.engine.stop()
    world.run(30)
    assert world.commands(began) == [(FAN, "0")]


def test_a_wall_clock_that_jumps_leaves_a_line_and_changes_nothing() -> None:
    world = World().cutting()
    began = world.clocks.now
    world.engine.beat()
    world.clocks.ahead += 3600
    world.engine.beat()
    (line,) = world.events("clock_stepped")
    assert line["by_seconds"] == pytest.approx(3600)
    assert world.recorder.steps_of_clock == 1
    assert world.commands(began) == []


def test_a_hand_start_and_its_end() -> None:
    world = World().rested()
    began = world.clocks.now
    world.say("gatehand/gate/bench/hand", "1")
    world.run(1.1)
    assert world.commands(began) == [(BENCH, "open"), (FAN, "1")]
    world.say("shop/fan/state", "1")
    world.run(5)
    ended = world.clocks.now
    world.say("gatehand/gate/bench/hand", "0")
    assert world.commands(ended) == [(FAN, "0")]


def test_a_reset_that_repeats_since_before_the_stop_cleared_ends_no_hold() -> None:
    world = World().cutting()
    world.say("shop/estop", "1")
    world.say("shop/fan/state", "0")
    for tick in range(200):
        world.say("gatehand/collector/main/reset", "1")
        world.run(0.1)
        if tick == 50:
            world.say("shop/estop", "0")
    assert collector_word(world.engine.state.collectors[0]) == "held"
    said = [line["rule"] for line in world.events("reset_refused")]
    assert said == ["stop_contact", "reset_repeated"], "once for each cause"


def test_stop_contact_then_reset_then_only_a_fresh_start_counts() -> None:
    world = World().cutting()
    stopped = world.clocks.now
    world.say("shop/estop", "1")
    assert world.commands(stopped)[0] == (FAN, "0")
    world.say("shop/fan/state", "0")
    world.run(5)
    world.say("gatehand/collector/main/reset", "")
    assert collector_word(world.engine.state.collectors[0]) == "held", "its cause is not gone"
    world.say("shop/estop", "0")
    world.run(2)
    world.say("gatehand/collector/main/reset", "")
    world.say("shop/band_saw/amps", "5")
    world.run(5)
    assert (FAN, "1") not in world.commands(stopped)
    world.say("shop/band_saw/amps", "0")
    world.run(20)
    fresh = world.clocks.now
    world.say("shop/band_saw/amps", "5")
    world.run(0.2)
    world.say("shop/gate/band_saw/state", "open")
    assert world.commands(fresh)[-1] == (FAN, "1")


def test_a_hold_outlives_a_restart() -> None:
    world = World()
    world.connect(("gatehand/collector/main", '{"state": "held"}'), ("shop/fan/state", "0"))
    assert collector_word(world.engine.state.collectors[0]) == "held"
    assert "collector.main.held" in world.engine.publisher.alarms.raised


def test_a_hold_that_the_broker_tells_of_late_still_holds() -> None:
    world = World().connect(("shop/fan/state", "0"))
    world.engine._own_topics._met_before = False  # noqa: SLF001 - the broker is slow: a second has passed without an end
    world.say("gatehand/collector/main", '{"state": "held"}', retained=True)
    assert collector_word(world.engine.state.collectors[0]) == "held"


def test_our_own_old_status_means_nothing_on_a_later_connection() -> None:
    world = World().rested()
    world.lose()
    world.connect(("gatehand/collector/main", '{"state": "held"}'), ("shop/fan/state", "0"))
    assert collector_word(world.engine.state.collectors[0]) != "held"


def test_a_retained_message_on_a_command_topic_is_an_alarm() -> None:
    world = World()
    world.connect((FAN, "1"))
    alarm = world.shown("alarm/collector.main.retained_command")
    assert FAN in alarm["because"]
    assert "empty" in alarm["next"]
    assert world.events("retained_command")


def test_the_alarm_ends_when_the_broker_retains_the_command_no_longer() -> None:
    world = World().connect((FAN, "1"))
    assert FAN in {each.topic for each in world.transport.wanted}
    world.say(FAN, "0")
    assert world.shown("alarm/collector.main.retained_command") is not None, "our own command came back"
    world.say(FAN, "")
    assert world.shown("alarm/collector.main.retained_command") is None
    world.lose()
    world.connect((FAN, "1"))
    world.lose()
    world.connect()
    assert world.shown("alarm/collector.main.retained_command") is None


def test_an_alarm_can_be_acknowledged_once_while_it_stands() -> None:
    world = World().rested()
    world.say("shop/estop", "1")
    assert world.shown("alarm/stop.emergency.active")["acked"] is None
    world.say("gatehand/alarm/stop.emergency.active/ack", "")
    world.say("gatehand/alarm/stop.emergency.active/ack", "")
    world.say("gatehand/alarm/there_is_none/ack", "")
    assert world.shown("alarm/stop.emergency.active")["acked"].endswith("Z")
    assert [line["alarm"] for line in world.events("alarm_acknowledged")] == ["stop.emergency.active"]
    world.say("shop/estop", "0")
    assert world.shown("alarm/stop.emergency.active") is None
    world.say("shop/estop", "1")
    assert world.shown("alarm/stop.emergency.active")["acked"] is None, "it is another one"


def test_a_line_that_the_log_will_not_take_does_not_keep_its_command() -> None:
    world = World().cutting()
    began = world.clocks.now

    def broken(_lines: object) -> None:
        raise ValueError("no such line")

    world.log.append = broken  # type: ignore[assignment, method-assign]
    world.say("shop/estop", "1")
    assert world.commands(began)[0] == (FAN, "0")
    assert any("could not be given to the log" in said for said in world.said)


def test_another_daemon_on_our_base_is_an_alarm_for_as_long_as_the_connection_says_so() -> None:
    world = World().rested()
    world.engine.on_notice(Notice(NoticeKind.SAME_BASE, "another daemon publishes on 'gatehand/online'", {}))
    assert "Stop one of them" in world.shown("alarm/daemon.main.same_base")["next"]
    world.lose()
    world.connect(("shop/fan/state", "0"))
    assert world.shown("alarm/daemon.main.same_base") is None


def test_bad_payloads_change_nothing() -> None:
    world = World().cutting()
    before, began = world.engine.state, world.clocks.now
    for topic in [each.topic for each in world.engine.active.routes.live if not each.topic.startswith("gatehand/")]:
        for payload in (b"\xff\xfe", b"NaN", b"[" * 60_000, b"9" * 65_537, b"", b"\x00", b"1e999", b"null"):
            if "gate/band_saw/state" in topic and payload not in {b"\xff\xfe", b"9" * 65_537, b""}:
                continue  # a readable word that is neither open nor shut: in between, on purpose
            world.say(topic, payload)
    assert world.commands(began) == []
    assert replace(world.engine.state, alarms=before.alarms) == before
    assert world.engine.state.alarms - before.alarms == {Alarm("stop", "emergency", "unclear")}, (
        "somebody relies on that contact"
    )
    world.say("shop/estop", "0")
    assert world.engine.state == before


def test_notices_of_the_session_are_logged_and_said() -> None:
    world = World().rested()
    topic = "shop/estop"
    world.engine.on_notice(Notice(NoticeKind.SUBSCRIPTION_REFUSED, "refused: shop/estop", {"topic": topic}))
    assert world.events("subscription_refused")[0]["topic"] == topic
    assert topic in world.shown("alarm/daemon.main.subscriptions")["because"]
    assert "refused: shop/estop" in world.said
    world.engine.on_notice(Notice(NoticeKind.SUBSCRIPTION_GRANTED, "granted", {"topic": topic}))
    assert world.shown("alarm/daemon.main.subscriptions") is None


def test_a_gate_known_by_a_kept_message_alone_is_asked_before_it_is_told_and_roused_where_it_stays_mute() -> None:
    poll = 'poll = { topic = "shop/gate/band_saw/get", payload = "?" }'
    asked = SHOP.replace('shut = "shut" }\ntravel = 1\nbutton', f'shut = "shut", {poll} }}\ntravel = 1\nbutton')
    world = World(asked.replace("coast_down = 2", 'coast_down = 2\nrest = "leave"'))
    world.connect(("shop/fan/state", "0"), ("shop/gate/band_saw/state", "open"))
    world.say("shop/fan/state", "0")
    world.say("shop/band_saw/amps", "0")
    world.run(5)
    since = world.clocks.now
    world.say("shop/band_saw/amps", "5")
    gate = ("shop/gate/band_saw/set", "open")
    assert world.commands(since) == [("shop/gate/band_saw/get", "?"), gate]
    world.run(1.1)
    assert world.commands(since)[-1] == ("shop/gate/band_saw/set", "shut")
    world.say("shop/gate/band_saw/state", "shut")
    world.run(0.1)
    assert world.commands(since)[-1] == gate
    assert ("shop/fan/set", "1") not in world.commands(since)
    world.say("shop/gate/band_saw/state", "open")
    world.run(0.1)
    assert world.commands(since)[-1] == ("shop/fan/set", "1")
