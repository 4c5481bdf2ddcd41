"""What screens are shown, when, and in which words."""

import json
import re
import shlex
from collections.abc import Iterator
from typing import Final

import pytest
from shell_support import SHOP, World

from gatehand.cli import COMMANDS, command_parser
from gatehand.mqtt.payload import Rejected
from gatehand.mqtt.transport import MessageKind
from gatehand.shell.alarm_words import words
from gatehand_rules.findings import WHATS, Alarm, Fact, Rule

RFC_3339 = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}Z")


def test_every_subject_shows_its_state_since_when_and_why() -> None:
    world = World().cutting()
    for topic in ("collector/main", "gate/band_saw", "gate/bench", "tool/band_saw", "tool/router"):
        shown = world.shown(topic)
        assert shown["state"]
        assert RFC_3339.fullmatch(shown["since"])
        assert shown["because"]
    assert world.shown("collector/main")["state"] == "running"
    assert RFC_3339.fullmatch(world.shown("gate/band_saw")["reported_at"])
    assert world.shown("gate/bench")["reported_at"] is None
    assert world.shown("gate/band_saw") | {"since": "", "because": "", "reported_at": ""} == {
        "state": "open",
        "since": "",
        "because": "",
        "collector": "main",
        "proven": True,
        "reported": "open",
        "reported_at": "",
        "reports": True,
        "known_by": "report",
        "told_at": None,
        "by_hand": False,
        "hand": False,
        "hand_ends": None,
    }
    saw = world.shown("tool/band_saw")
    assert (saw["amps"], saw["start_amps"], saw["stop_amps"], saw["gates"]) == (5.0, 2.5, 1.75, ["band_saw"])
    assert "5 A, at or above its start_amps of 2.5 A" in saw["because"]


def test_a_run_on_shows_when_it_ends() -> None:
    world = World().cutting()
    world.say("shop/band_saw/amps", "0")
    until = world.shown("collector/main")["run_on_until"]
    assert until == world.shown("tool/band_saw")["run_on_ends"]
    assert RFC_3339.fullmatch(until)
    assert world.shown("collector/main")["state"] == "run_on"
    world.run(11)
    assert world.shown("collector/main")["run_on_until"] is None


def test_a_hold_shows_its_reason() -> None:
    world = World().cutting()
    world.say("shop/estop", "1")
    assert world.shown("collector/main")["held"] == "emergency"


def test_a_current_is_shown_at_most_once_a_second() -> None:
    world = World().cutting()
    world.engine.beat()
    before = len(world.transport.sent)
    for n in range(40):  # ten a second, for four seconds
        world.say("shop/band_saw/amps", str(5 + n / 100))
        world.run(0.1)
        if n % 10 == 9:
            world.engine.beat()
    sent = [each for each in world.transport.sent[before:] if each.topic == "gatehand/tool/band_saw"]
    assert len(sent) == 4
    assert json.loads(sent[-1].text)["amps"] == pytest.approx(5.39)


def test_the_noise_of_a_resting_sensor_is_not_shown_but_what_moves_on_is() -> None:
    world = World().rested()
    world.say("shop/band_saw/amps", "0.20")
    world.engine.beat()
    before = len(world.transport.sent)

    def amps_shown() -> list[float]:
        sent = world.transport.sent[before:]
        return [json.loads(each.text)["amps"] for each in sent if each.topic == "gatehand/tool/band_saw"]

    for amps in ("0.23", "0.17", "0.24"):  # start_amps is 2.5: a fiftieth is 0.05 A
        world.say("shop/band_saw/amps", amps)
        world.run(1)
        world.engine.beat()
    assert amps_shown() == []
    world.say("shop/band_saw/amps", "0.26")
    world.engine.beat()
    assert amps_shown() == [0.26]


def test_nothing_is_shown_twice() -> None:
    world = World().cutting()
    world.engine.beat()
    before = len(world.transport.sent)
    for _ in range(5):
        world.engine.beat()
    assert world.transport.sent[before:] == []


def test_commands_leave_before_the_status_that_tells_of_them() -> None:
    world = World().rested()
    before = len(world.transport.sent)
    world.say("shop/band_saw/amps", "5")
    kinds = [each.kind for each in world.transport.sent[before:]]
    assert kinds[0] is MessageKind.ACT
    assert MessageKind.STATUS in kinds


def test_everything_is_shown_again_on_a_new_connection() -> None:
    world = World().cutting()
    world.say("shop/estop", "1")
    world.lose()
    world.transport.retained.clear()
    world.connect(("shop/estop", "1"), ("shop/fan/state", "0"))
    for topic in ("collector/main", "gate/band_saw", "gate/bench", "tool/band_saw", "alarm/stop.emergency.active"):
        assert world.shown(topic) is not None


def test_what_a_former_run_left_of_things_that_are_gone_is_removed() -> None:
    world = World()
    world.connect(
        ("gatehand/tool/old_planer", "{}"),
        ("gatehand/alarm/tool.old_planer.silent", "{}"),
        ("gatehand/gate/bench", "{}"),
        ("gatehand/something/else", "{}"),
    )
    emptied = [each.topic for each in world.transport.sent if each.kind is MessageKind.STATUS and not each.text]
    assert sorted(emptied) == ["gatehand/alarm/tool.old_planer.silent", "gatehand/tool/old_planer"]


def test_an_alarm_says_why_and_what_to_do_and_is_emptied_when_it_is_over() -> None:
    world = World().rested()
    world.say("shop/band_saw/amps", "5")
    world.run(3.1)  # three travels, and never a report
    alarm = world.shown("alarm/gate.band_saw.fault")
    assert RFC_3339.fullmatch(alarm["since"])
    assert (alarm["kind"], alarm["name"], alarm["what"]) == ("gate", "band_saw", "fault")
    assert "was told to open" in alarm["because"]
    assert "Lock the collector out" in alarm["next"]
    assert alarm["next"].endswith("look at command in [gate.band_saw]: it is told 'open' on shop/gate/band_saw/set.")
    assert alarm["rule"] == "travel"
    world.say("shop/gate/band_saw/state", "open")
    assert world.shown("alarm/gate.band_saw.fault") is None


def test_a_gate_whose_word_is_another_has_an_alarm_with_that_word() -> None:
    world = World().rested()
    world.say("shop/band_saw/amps", "5")
    world.say("shop/gate/band_saw/state", "Open")
    world.run(3.1)
    alarm = world.shown("alarm/gate.band_saw.fault")
    assert alarm["because"].endswith("Its last word was 'Open', which is neither the open nor the shut of its state.")
    assert alarm["next"].startswith(
        "If the gate means open or shut by that word, write it into [gate.band_saw] state in the config."
    )


def test_a_stop_contact_whose_word_is_another_has_an_alarm_that_ends_with_one_of_its_own() -> None:
    world = World().cutting()
    world.say("shop/estop", "clear")
    world.say("shop/estop", "pressed")
    alarm = world.shown("alarm/stop.emergency.unclear")
    assert alarm["because"] == (
        "The stop contact emergency says 'clear', which is neither its active word nor its clear word: it "
        "stops nothing."
    )
    assert alarm["next"].startswith("Write the words that it uses into [stop.emergency] in the config")
    assert not world.events("hold_reset")
    world.say("shop/estop", "0")
    assert world.shown("alarm/stop.emergency.unclear") is None


def test_the_collectors_reason_is_its_own_and_not_its_gates() -> None:
    world = World().cutting()
    world.say("shop/router/amps", "6")
    world.run(1.5)
    assert world.shown("gate/bench")["state"] == "open"
    assert "gate" not in world.shown("collector/main")["because"]


@pytest.mark.parametrize("alarm", [Alarm(kind, "saw", what) for kind, each in WHATS.items() for what in each], ids=str)
def test_every_alarm_of_the_rules_has_words_of_its_own(alarm: Alarm) -> None:
    kind = alarm.kind
    for rule in Rule:
        because, then = words(alarm, rule, {})
        assert "raised it" not in because, "no words of its own"
        assert "saw" in because or kind == "daemon", "whose it is"
        for sentence in (because, then):
            assert sentence.endswith(".")
            assert sentence[0].isupper()


def test_the_alarms_that_the_rules_raise_are_those_that_have_words() -> None:
    """A new alarm id in the rules must stand in the table of ids and get its words here."""
    from pathlib import Path

    import gatehand_rules
    from gatehand.shell import alarm_words

    folder = Path(gatehand_rules.__file__).parent
    pattern = re.compile(r'(?:\bAlarm\([^()]*|one\.alarm\()"([a-z_]+)"\)')
    found = {what for file in folder.glob("*.py") for what in pattern.findall(file.read_text())}
    assert len(found) > 8
    known = {(kind, what) for kind, each in WHATS.items() for what in each}
    assert found == {what for _, what in known}
    assert known == {key[:2] for key in alarm_words.WORDS}


CASES: Final[dict[str, dict[str, Fact]]] = {
    "said": {"said": "OFFEN", "topic": "saw/state", "wanted_there": "found another word"},
    "offline": {"offline": True},
    "welded": {"told": "off", "reported_on": True, "reported_ago": 0.1, "told_ago": 16.0},
    "off": {"told": "off", "reported_on": False, "drawing": True, "motor_ago": 38.0, "told_ago": 16.0},
    "tripped": {"told": "on", "reported_on": True, "drawing": False},
    "late": {"told": "on", "reported_on": True, "drawing": False, "motor_ago": 12.0, "told_ago": 10.0},
    "turns": {"told": "on", "drawing": True, "motor_ago": 1.0, "told_ago": 10.0},
}
"""The facts of the cases that are found by what watches a fan, or by what a gate says."""


def every_next_step() -> Iterator[str]:
    """Of each alarm in each of its cases, the rules' and the shell's own."""
    from gatehand.shell import alarm_words
    from gatehand.shell import own_alarms as own

    facts: dict[str, Fact] = {"gates": "saw, planing", "stop": "estop", "key": "current"}
    for (kind, what, case), (because, then) in alarm_words.WORDS.items():
        yield because
        told: dict[str, Fact] = {"told": case, "then": case, "never_heard": case == "never_heard"}
        told |= {case: "x"} if case in {"says", "beside"} else {}
        told |= {"topic": "saw/amps"} if case == "topic" else {}
        told |= CASES.get(case, {})
        found = words(Alarm(kind, "saw", what), Rule(case) if case in set(Rule) else Rule.TRAVEL, {**facts, **told})[1]
        assert found.split(" ")[0] == then.split(" ")[0], "this very case"
        yield found
    shown = (
        *(own.unheard(kind, "saw", "t") for kind in ("stop", "tool", "gate", "collector")),
        own.not_understood("stop", "saw", "contact", "t", Rejected("found another word", "x")),
        own.retained_command("gate", "saw", "t"),
        own.config_rejected(["a", "b", "c", "d"]),
        *(make("it is gone") for make in (own.config_unreadable, own.config_waits, own.log_trouble, own.same_base)),
        *(make("it is full") for make in (own.recording_trouble, own.internal_error)),
        own.memory_trouble("it is full", ("main",)),
        own.subscription_refused(("t",)),
    )
    yield from (one.next for one in shown)


def test_every_command_that_an_alarm_names_is_there_and_takes_what_stands_behind_it() -> None:
    coming = {"listen"} - COMMANDS.keys()
    tried = set()
    for said in every_next_step():
        plain = re.sub("`[^`]*`", "", said)
        assert "gatehand" not in plain, f"without its marks: {said}"
        for command in re.findall("`([^`]*)`", said):
            program, name, *rest = shlex.split(command)
            assert program == "gatehand", said
            if name not in coming:
                command_parser(name)[1].parse_args(rest)  # exits on a mistake
            tried.add(command)
    assert {"gatehand reset saw", "gatehand exercise saw", "gatehand exercise saw planing", "gatehand check"} <= tried


def test_a_hot_reading_publishes_nothing() -> None:
    world = World(SHOP).cutting()
    before = len(world.transport.sent)
    for _ in range(100):
        world.say("shop/band_saw/amps", "5.01")
    assert len(world.transport.sent) == before


BUDGET = SHOP.replace("coast_down = 2", "coast_down = 2\nstarts_per_hour = 1")


def test_a_refresh_does_not_push_out_why_the_fan_is_on() -> None:
    world = World(BUDGET).cutting()
    why = world.shown("collector/main")["because"]
    for _ in range(50):
        world.say("shop/band_saw/amps", "5")
        world.run(1)
    assert [line["rule"] for line in world.events("collector_on")] == ["demand", "refresh", "refresh"]
    assert world.shown("collector/main")["because"] == why
    world.say("shop/band_saw/amps", "0")
    world.run(15)
    assert "stays on" in world.shown("collector/main")["because"]
    since = world.shown("collector/main")["since"]
    world.run(60)
    assert "the motor has used 1 of 1 start in the last hour" in world.shown("collector/main")["because"]
    assert world.shown("collector/main")["since"] == since
    sent = [each for each in world.transport.sent if each.topic == "gatehand/collector/main"]
    assert not any("time limit" in each.text for each in sent), "nor was it shown for a moment"


def test_a_switch_that_is_told_again_and_again_keeps_its_reason() -> None:
    world = World().rested()
    world.say("shop/band_saw/amps", "5")
    world.run(0.3)
    world.say("shop/gate/band_saw/state", "open")
    for second in range(60):
        world.say("shop/band_saw/amps", "5")
        world.run(1)
        if second == 15:
            before = world.shown("collector/main")["because"]
    assert [line["tries"] for line in world.events("collector_unanswered")] == [1, 2, 3, 4]
    assert world.shown("collector/main")["because"] == before
    then = world.engine.publisher.alarms.raised["collector.main.no_answer"].next
    assert then.endswith("look at command in [collector.main]: it is told '1' on shop/fan/set.")


def test_a_message_that_was_not_used_is_no_reason_of_a_state() -> None:
    world = World().cutting()
    world.say("shop/band_saw/amps", "rubbish")
    world.say("shop/band_saw/amps", "7")
    world.engine.beat()
    assert world.shown("tool/band_saw")["amps"] == 7
    assert "at or above its start_amps" in world.shown("tool/band_saw")["because"]
    fresh = World().connect()
    fresh.say("shop/band_saw/amps", "rubbish")
    fresh.say("shop/band_saw/amps", "2")
    fresh.engine.beat()
    assert "message not used" in fresh.shown("tool/band_saw")["because"], "nothing else is known of it"


def test_a_question_ends_an_alarm_of_the_config_as_it_is() -> None:
    from gatehand.shell import own_alarms as own

    start = "The changed config was not taken, the last good one is still in force: "
    assert own.config_rejected(["did you mean start_amps?"]).because == f"{start}did you mean start_amps?"
    assert own.config_rejected(["a", "b", "c", "d?"]).because == f"{start}a; b; c (and 1 more)."


def test_a_reset_that_was_refused_is_no_reason_of_a_state() -> None:
    world = World().cutting()
    before = world.shown("collector/main")["because"]
    world.say("gatehand/collector/main/reset", "1")
    world.engine.beat()
    assert len(world.events("reset_refused")) == 1
    assert world.shown("collector/main")["because"] == before


def test_a_hold_that_was_asked_for_is_no_mishap_to_look_into() -> None:
    world = World().rested()
    world.say("gatehand/collector/main/hold", "filter change")
    held = world.engine.publisher.alarms.raised["collector.main.held"]
    assert held.because == "The collector main is on hold (filter change)."
    assert held.next == (
        "Once its reason is gone and it is safe to start, `gatehand reset main`; then start the tool again."
    )
