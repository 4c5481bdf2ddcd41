"""The gate's program, case by case: what moves the blade, for how long, and what is said of it."""

import pytest
from gate_blade import BUTTON, OPEN_SWITCH, POLL, PRESS, SERVO, SET, SHUT_SWITCH, STATE, Moved, settings, switched_on
from role_bench import Bench, Done, Step, in_micropython, module

SETTLED = module("inputs").SETTLE_MS + 10
WAY = 750
"""Milliseconds for 90 degrees at 120 a second."""
TAKES = WAY + 20 + 200
"""The same with the last step's time and the settling."""


def pulses(bench: Bench) -> list[Done]:
    return [done for done in bench.done if done.what == "pwm"]


def position(bench: Bench) -> list[str]:
    return bench.words(STATE)


def told_at(bench: Bench, word: str) -> int:
    return next(said.ms for said in bench.said if said.payload == word)


def test_the_servos_pin_is_off_before_anything_else_and_nothing_moves_by_itself() -> None:
    bench = Bench("gate", settings())
    assert bench.done == [Done(0, "pin", SERVO, 0)]
    bench.go(60_000)
    bench.connect()
    bench.go(60_000)
    assert bench.done == [Done(0, "pin", SERVO, 0)]
    assert position(bench) == ["unknown"]


def test_a_command_moves_the_blade_and_its_pulses_end_after_the_way_and_the_settling() -> None:
    bench = switched_on(settings())
    begun = bench.ms
    bench.hear(SET, "open")
    bench.go(3000)
    assert pulses(bench)[0].ms == begun  # from an unknown place it goes straight to its end
    assert [done.value for done in pulses(bench)] == [1_500_000, 0]
    assert WAY <= pulses(bench)[-1].ms - begun <= TAKES + 20
    assert position(bench) == ["unknown", "moving", "open"]
    assert all(said.retain and said.qos == 1 for said in bench.said if said.topic == STATE)


def test_from_a_known_place_the_angle_goes_by_degrees_a_second_in_steps_of_twenty_milliseconds() -> None:
    bench = switched_on(settings())
    bench.hear(SET, "open")
    bench.go(3000)
    since = bench.ms
    bench.hear(SET, "shut")
    bench.go(3000)
    steps = [done for done in pulses(bench) if done.ms >= since]
    assert steps[0].value == 1_500_000
    moving = steps[1:-1]
    assert [done.ms - since for done in moving] == list(range(20, 761, 20))
    # 2.4 degrees a step, 2000 us for 180 degrees.
    assert [done.value for done in moving[:3]] == [1_473_333, 1_446_666, 1_420_000]
    assert (moving[-1].value, steps[-1].value) == (500_000, 0)
    assert steps[-1].ms - since <= TAKES + 20
    assert position(bench)[-2:] == ["moving", "shut"]


def test_without_end_switches_it_is_told_that_time_tells_and_when_the_whole_time_has_passed() -> None:
    bench = switched_on(settings())
    assert bench.role.facts["position"] == "elapsed time"
    begun = bench.ms
    bench.hear(SET, "open")
    bench.go(3000)
    assert told_at(bench, "open") - begun >= WAY + 200


def test_a_command_that_the_broker_had_kept_moves_nothing() -> None:
    bench = switched_on(settings())
    for word in ("open", "shut"):
        bench.hear(SET, word, retained=True)
        bench.go(1000)
    assert (pulses(bench), position(bench)) == ([], ["unknown"])


def test_a_word_that_is_not_understood_changes_nothing_and_is_on_the_console_once() -> None:
    bench = switched_on(settings())
    for _ in range(3):
        bench.hear(SET, b"\xff half")
        bench.go(100)
    bench.hear(SET, "OPEN")
    assert (pulses(bench), position(bench)) == ([], ["unknown"])
    assert len(bench.console) == 2
    assert SET in bench.console[0]
    assert "half" in bench.console[0]


def test_the_same_command_on_its_way_says_so_and_does_not_begin_anew() -> None:
    bench = switched_on(settings())
    begun = bench.ms
    bench.hear(SET, "open")
    for _ in range(4):
        bench.go(200)
        bench.hear(SET, "open")
    bench.go(2000)
    assert position(bench) == ["unknown", *["moving"] * 5, "open"]
    assert pulses(bench)[-1].ms - begun <= TAKES + 20


def test_the_contrary_command_on_its_way_turns_it_round_where_it_is() -> None:
    bench = switched_on(settings())
    bench.hear(SET, "shut")
    bench.go(2000)
    bench.hear(SET, "open")
    bench.go(300)
    turned, angle = bench.ms, bench.output(SERVO, "pwm")
    bench.hear(SET, "shut")
    bench.go(2000)
    steps = [done for done in pulses(bench) if done.ms > turned]
    assert all(0 <= before - after.value < 30_000 for before, after in zip([angle], steps, strict=False))
    assert [done.value for done in steps] == sorted((done.value for done in steps), reverse=True)
    assert 300 + 200 <= steps[-1].ms - turned <= 300 + 20 + 200 + 30
    assert position(bench)[-3:] == ["moving", "moving", "shut"]


def test_the_same_command_at_its_end_by_time_drives_once_more_and_has_never_left_it() -> None:
    bench = switched_on(settings())
    bench.hear(SET, "open")
    bench.go(2000)
    since = bench.ms
    bench.hear(SET, "open")
    bench.go(2000)
    assert [(done.value, done.ms - since) for done in pulses(bench)[2:]] == [(1_500_000, 0), (0, TAKES + 10)]
    assert position(bench) == ["unknown", "moving", "open", "open"]


def test_the_same_command_at_its_end_switch_says_so_and_moves_nothing() -> None:
    bench = switched_on(settings(open_switch=OPEN_SWITCH, shut_switch=SHUT_SWITCH), held=[OPEN_SWITCH])
    bench.hear(SET, "open")
    bench.go(1000)
    assert (pulses(bench), position(bench)) == ([], ["open", "open"])
    assert bench.role.facts["position"] == "end switches"


@pytest.mark.parametrize(("held", "word"), [(OPEN_SWITCH, "open"), (SHUT_SWITCH, "shut")])
def test_standing_on_an_end_switch_at_power_up_it_says_where_it_is(held: int, word: str) -> None:
    bench = switched_on(settings(open_switch=OPEN_SWITCH, shut_switch=SHUT_SWITCH), held=[held])
    assert position(bench) == [word]
    # It is known where it stands: it sets off from there.
    bench.hear(SET, "shut" if word == "open" else "open")
    assert pulses(bench)[0].value == (1_500_000 if word == "open" else 500_000)


def test_the_end_switch_tells_as_soon_as_the_blade_is_there() -> None:
    bench = switched_on(settings(open_switch=OPEN_SWITCH, shut_switch=SHUT_SWITCH), held=[SHUT_SWITCH])
    bench.hear(SET, "open")
    bench.go(100)
    bench.pin(SHUT_SWITCH, 1)
    bench.go(300)
    bench.pin(OPEN_SWITCH, 0)
    bench.go(SETTLED)
    assert position(bench) == ["shut", "moving", "open"]
    bench.go(2000)
    assert position(bench) == ["shut", "moving", "open"]
    assert bench.output(SERVO, "pwm") == 0


def test_an_end_that_is_not_reached_in_time_is_said_as_stuck_and_the_next_command_tries_again() -> None:
    bench = switched_on(settings(open_switch=OPEN_SWITCH, shut_switch=SHUT_SWITCH), held=[SHUT_SWITCH])
    bench.hear(SET, "open")
    bench.go(2000)
    # The switch of the other end says that it never left, or sticks itself: nobody knows which.
    assert position(bench) == ["shut", "moving", "stuck"]
    assert "open" in bench.console[-1]
    bench.hear(SET, "open")
    bench.go(100)
    bench.pin(SHUT_SWITCH, 1)
    bench.go(500)
    bench.pin(OPEN_SWITCH, 0)
    bench.go(2000)
    assert position(bench)[3:] == ["moving", "open"]


def test_a_stuck_blade_that_is_told_to_stay_where_its_switch_shows_it_is_driven_there() -> None:
    bench = switched_on(settings(open_switch=OPEN_SWITCH, shut_switch=SHUT_SWITCH), held=[SHUT_SWITCH])
    bench.hear(SET, "open")
    bench.go(2000)
    before = len(pulses(bench))
    bench.hear(SET, "shut")
    assert len(pulses(bench)) == before + 1
    bench.go(2000)
    assert position(bench)[-1] == "shut"


def test_a_blade_that_comes_to_its_end_late_is_told_when_it_is_there() -> None:
    bench = switched_on(settings(open_switch=OPEN_SWITCH))
    bench.hear(SET, "open")
    bench.go(2000)
    bench.pin(OPEN_SWITCH, 0)
    bench.go(SETTLED)
    assert position(bench) == ["unknown", "moving", "stuck", "open"]


def test_a_hand_that_moves_the_blade_off_its_end_is_told_at_once() -> None:
    bench = switched_on(settings(open_switch=OPEN_SWITCH, shut_switch=SHUT_SWITCH), held=[OPEN_SWITCH])
    bench.pin(OPEN_SWITCH, 1)
    bench.go(SETTLED)
    assert position(bench) == ["open", "unknown"]
    bench.pin(SHUT_SWITCH, 0)
    bench.go(SETTLED)
    assert position(bench) == ["open", "unknown", "shut"]
    assert pulses(bench) == []


def test_both_end_switches_closed_is_a_fault_and_no_position() -> None:
    bench = switched_on(settings(open_switch=OPEN_SWITCH, shut_switch=SHUT_SWITCH), held=[OPEN_SWITCH, SHUT_SWITCH])
    assert position(bench) == ["stuck"]
    assert "both end switches are closed" in bench.console[0]
    bench.hear(SET, "open")
    bench.go(2000)
    assert position(bench) == ["stuck", "moving", "stuck"]


def test_with_one_end_switch_the_other_end_is_told_by_time_and_about_says_so() -> None:
    bench = switched_on(settings(open_switch=OPEN_SWITCH), held=[OPEN_SWITCH])
    assert bench.role.facts["position"] == "open: end switch, shut: elapsed time"
    bench.hear(SET, "shut")
    bench.go(100)
    bench.pin(OPEN_SWITCH, 1)
    bench.go(2000)
    assert position(bench) == ["open", "moving", "shut"]
    bench.hear(SET, "open")
    bench.go(2000)
    assert position(bench)[-1] == "stuck"


def test_shut_by_time_is_over_once_a_hand_has_pushed_the_blade_to_the_other_ends_switch() -> None:
    bench = switched_on(settings(open_switch=OPEN_SWITCH))
    bench.hear(SET, "shut")
    bench.go(2000)
    for level in (0, 1):
        bench.pin(OPEN_SWITCH, level)
        bench.go(SETTLED)
    assert position(bench) == ["unknown", "moving", "shut", "open", "unknown"]


def test_shut_by_time_is_not_told_while_the_switch_of_the_other_end_is_closed() -> None:
    bench = switched_on(settings(open_switch=OPEN_SWITCH), held=[OPEN_SWITCH])
    bench.hear(SET, "shut")
    bench.go(3000)
    assert position(bench) == ["open", "moving", "stuck"]


def test_a_broker_lost_on_the_way_changes_nothing_of_the_way() -> None:
    bench = switched_on(settings())
    bench.hear(SET, "open")
    bench.go(200)
    bench.lose()
    bench.go(5000)
    assert bench.output(SERVO, "pwm") == 0
    since = bench.ms
    bench.connect()
    assert bench.words(STATE, since) == ["open"]


def test_who_asks_is_answered_live() -> None:
    bench = switched_on(settings())
    bench.hear(POLL, "?")
    bench.hear(POLL, "?", retained=True)
    bench.hear(POLL, "open")  # this is no topic for commands
    assert (position(bench), pulses(bench)) == (["unknown", "unknown"], [])


def test_commands_and_questions_may_share_a_topic() -> None:
    wanted = settings()
    wanted["state"]["poll"]["topic"] = SET
    bench = switched_on(wanted)
    bench.hear(SET, "?")
    bench.hear(SET, "open")
    bench.go(2000)
    assert position(bench) == ["unknown", "unknown", "moving", "open"]


def test_the_button_says_each_press_once_and_moves_nothing() -> None:
    bench = switched_on(settings(button=BUTTON))
    for _ in range(2):
        bench.pin(BUTTON, 0)
        bench.go(300)
        bench.pin(BUTTON, 1)
        bench.go(300)
    assert [(said.payload, said.retain, said.qos) for said in bench.said if said.topic == PRESS] == [
        ("1", False, 1)
    ] * 2
    assert (pulses(bench), position(bench)) == ([], ["unknown"])


def test_a_button_pressed_while_the_broker_is_lost_or_held_at_power_up_is_never_told() -> None:
    bench = switched_on(settings(button=BUTTON), held=[BUTTON])
    bench.pin(BUTTON, 1)
    bench.go(300)
    for before_ms in (10, 300):
        bench.lose()
        bench.pin(BUTTON, 0)
        bench.go(before_ms)
        bench.connect()
        bench.go(300)
        bench.pin(BUTTON, 1)
        bench.go(300)
    assert bench.words(PRESS) == []


def test_a_button_that_jams_says_so_every_ten_seconds_and_moves_nothing() -> None:
    bench = switched_on(settings(button=BUTTON))
    bench.pin(BUTTON, 0)
    bench.go(21_000)
    bench.pin(BUTTON, 1)
    bench.go(500)
    assert bench.words(PRESS) == ["1", "stuck", "stuck"]
    assert pulses(bench) == []


def test_a_gate_moved_by_hand_reports_by_its_end_switches_alone() -> None:
    wanted = settings(servo=None, open_switch=OPEN_SWITCH, shut_switch=SHUT_SWITCH)
    del wanted["set"]
    bench = switched_on(wanted, held=[SHUT_SWITCH])
    assert bench.role.facts == {"position": "end switches"}
    bench.pin(SHUT_SWITCH, 1)
    bench.go(200)
    bench.pin(OPEN_SWITCH, 0)
    bench.go(200)
    bench.hear(SET, "shut")
    bench.role.safe()
    assert position(bench) == ["shut", "unknown", "open"]
    assert bench.done == []


def test_a_gate_without_a_report_in_the_config_moves_and_says_nothing() -> None:
    wanted = settings()
    del wanted["state"]
    bench = switched_on(wanted)
    bench.hear(SET, "open")
    bench.go(2000)
    assert [done.value for done in pulses(bench)] == [1_500_000, 0]
    assert bench.said == []


@pytest.mark.parametrize("moved_ms", [0, 10, 300, 760, 900])
def test_safe_ends_the_pulses_wherever_it_is(moved_ms: int) -> None:
    bench = switched_on(settings())
    bench.hear(SET, "open")
    bench.go(moved_ms)
    assert bench.output(SERVO, "pwm") > 0
    bench.role.safe()
    assert bench.output(SERVO, "pwm") == 0


STORY: list[Step] = [
    ("go", 500),
    ("link", True),
    ("hear", SET, "open", True),
    ("hear", SET, "nonsense"),
    ("hear", SET, "open"),
    ("go", 100),
    ("pin", SHUT_SWITCH, 1),
    ("go", 600, 7),
    ("pin", OPEN_SWITCH, 0),
    ("go", 900),
    ("pin", BUTTON, 0),
    ("go", 300),
    ("pin", BUTTON, 1),
    ("go", 300),
    ("hear", SET, "shut"),
    ("go", 111, 3),
    ("pin", OPEN_SWITCH, 1),
    ("go", 222, 3),
    ("hear", SET, "open"),
    ("link", False),
    ("go", 500),
    ("pin", OPEN_SWITCH, 0),
    ("go", 2000),
    ("link", True),
    ("hear", POLL, "?"),
    ("hear", SET, "shut"),
    ("go", 100),
    ("pin", OPEN_SWITCH, 1),
    ("go", 2000),
    ("hear", SET, "open"),
    ("go", 50),
    ("safe",),
]


def test_micropython_does_and_says_the_same_as_cpython() -> None:
    wanted = settings(button=BUTTON, open_switch=OPEN_SWITCH, shut_switch=SHUT_SWITCH)
    played: list[Moved] = [
        in_micropython("gate", wanted, STORY, held=[SHUT_SWITCH]),
        Bench("gate", wanted, lambda world: world.inputs.update({SHUT_SWITCH: 0})).play(STORY),
    ]
    assert played[0] == played[1]
    said, done = played[0]
    words = [one.payload for one in said if one.topic == STATE]
    assert words == ["shut", "moving", "open", "moving", "moving", "open", "open", "moving", "stuck", "moving"]
    assert [one.payload for one in said if one.topic == PRESS] == ["1"]
    assert done[-1].value == 0
