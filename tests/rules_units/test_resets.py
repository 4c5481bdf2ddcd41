"""Which resets count: a press after the cause has gone. What repeats itself, sticks, bounces or is old ends no hold."""

import pytest
from unit_bench import Bench, commands, events, gate, ready, running, saw_shop, shop, tool

from gatehand.journal.sentences import sentence_of
from gatehand_rules import events as ev
from gatehand_rules.shop import Shop, StopContact
from gatehand_rules.state import Held
from gatehand_rules.timing import GuardTiming, Timing


def stop_shop() -> Shop:
    return shop(tool(), gate(), StopContact(name="estop", collectors=("main",)))


def held() -> Bench:
    """A stop came at 50 s and is clear from 60 s on."""
    bench = ready(stop_shop())
    bench.tell(ev.StopReport("estop", active=True), 50.0)
    bench.tell(ev.StopReport("estop", active=False), 60.0)
    bench.findings.clear()
    return bench


def is_held(bench: Bench) -> bool:
    both = {isinstance(bench.fan_state().phase, Held), bench.state.guard.fans[0].latched}
    assert len(both) == 1, "the two layers disagree"
    return both.pop()


def asked(bench: Bench, at: float) -> list[str]:
    return bench.tell(ev.ResetAsked("main"), at)


def press(bench: Bench, at: float) -> list[str]:
    return bench.tell(ev.ResetButton("main", pressed=True), at)


def release(bench: Bench, at: float) -> list[str]:
    return bench.tell(ev.ResetButton("main", pressed=False), at)


# --- by message


def test_a_reset_that_repeats_since_before_the_stop_cleared_never_ends_the_hold() -> None:
    bench = ready(stop_shop())
    bench.tell(ev.StopReport("estop", active=True), 50.0)
    for i in range(200):
        asked(bench, 51.0 + i * 0.1)
        if i == 100:
            bench.tell(ev.StopReport("estop", active=False), 61.05)
    assert is_held(bench)
    assert is_held(bench)
    assert not asked(bench, bench.now + 1.999)
    assert events(asked(bench, bench.now + 2.0))[0] == "hold_reset/hold"
    assert not is_held(bench)


@pytest.mark.parametrize(("gap", "ends"), [(1.999, False), (2.0, True)])
def test_a_message_counts_where_none_came_in_the_two_seconds_before(gap: float, *, ends: bool) -> None:
    bench = ready(saw_shop())
    bench.tell(ev.HoldAsked("main"), 50.0)
    asked(bench, 51.0)
    bench.tell(ev.HoldAsked("main"), 51.0)
    assert is_held(bench)
    asked(bench, 51.0 + gap)
    assert is_held(bench) is not ends


def test_a_refused_repeat_says_to_wait_and_press_once() -> None:
    bench = held()
    bench.tell(ev.HoldAsked("main"), 60.0)
    bench.tell(ev.ResetAsked("main", retained=True), 61.0)
    assert asked(bench, 62.5) == ["reset_refused/reset_repeated collector=main since_last=1.5 quiet=2"]
    assert sentence_of(bench.findings[-1]) == (
        "collector: reset refused, another came 1.5 s before it: wait 2 s and press once"
    )
    assert is_held(bench)


def test_what_repeats_is_said_once_for_each_cause_and_counted() -> None:
    bench = ready(stop_shop())
    bench.tell(ev.StopReport("estop", active=True), 50.0)
    said = [line for i in range(100) for line in asked(bench, 51.0 + i * 0.1)]
    assert said == ["reset_refused/stop_contact collector=main active=estop"]
    bench.tell(ev.StopReport("estop", active=False), 61.0)
    said = [line for i in range(100) for line in asked(bench, 61.1 + i * 0.1)]
    assert said == ["reset_refused/reset_repeated collector=main since_last=0.2 quiet=2 refused_before=99"]
    assert "hold_reset/hold collector=main why=estop refused_before=99" in asked(bench, 80.0)


def test_a_refusal_is_said_again_after_a_minute_without_one() -> None:
    bench = ready(saw_shop())
    assert events(asked(bench, 50.0)) == ["reset_refused/hold"]
    assert events(asked(bench, 109.999)) == []
    assert events(asked(bench, 169.999)) == ["reset_refused/hold"]


def test_a_message_just_after_a_connection_may_repeat_one_that_nobody_heard() -> None:
    bench = ready(saw_shop())
    bench.tell(ev.HoldAsked("main"), 50.0)
    bench.tell(ev.BrokerLost(54.0), 55.0)
    bench.tell(ev.BrokerConnected(), 60.0)
    assert "reset_refused/reset_repeated collector=main since_last=1.9 quiet=2" in asked(bench, 61.9)
    assert is_held(bench)
    asked(bench, 63.9)
    assert not is_held(bench)


# --- by button


@pytest.mark.parametrize(("held_for", "ends"), [(0.099, False), (0.1, True), (2.0, True), (2.001, False)])
def test_a_press_counts_on_its_release_when_held_for_a_tenth_to_two_seconds(held_for: float, *, ends: bool) -> None:
    bench = held()
    assert release(bench, 61.0) == []
    assert press(bench, 62.0) == []
    assert is_held(bench), "a press counts on its release"
    said = release(bench, 62.0 + held_for)
    assert is_held(bench) is not ends
    assert events(said)[0] == ("hold_reset/hold" if ends else "reset_refused/reset_press")


def test_a_bounce_before_the_press_takes_nothing_from_it() -> None:
    bench = held()
    release(bench, 61.0)
    press(bench, 62.0)
    release(bench, 62.02)
    press(bench, 62.05)
    assert is_held(bench)
    release(bench, 62.4)
    assert not is_held(bench)


def test_a_button_pressed_before_the_stop_cleared_ends_nothing_when_it_is_let_go() -> None:
    bench = ready(stop_shop())
    bench.tell(ev.StopReport("estop", active=True), 50.0)
    release(bench, 51.0)
    assert press(bench, 59.5) == ["reset_refused/stop_contact collector=main active=estop"]
    bench.tell(ev.StopReport("estop", active=False), 60.0)
    release(bench, 60.5)
    assert is_held(bench)
    press(bench, 61.0)
    release(bench, 61.5)
    assert not is_held(bench)


def test_a_release_from_before_the_stop_cleared_is_none() -> None:
    bench = ready(stop_shop())
    release(bench, 49.0)
    bench.tell(ev.StopReport("estop", active=True), 50.0)
    release(bench, 55.0)
    bench.tell(ev.StopReport("estop", active=False), 60.0)
    assert press(bench, 61.0) == [
        (
            "reset_refused/reset_press collector=main why=not heard released since the cause has gone"
            " held_for=None shortest=0.1 longest=2"
        )
    ]
    release(bench, 61.5)
    assert is_held(bench)


def test_a_button_that_sticks_is_told_once_and_counted() -> None:
    bench = held()
    release(bench, 61.0)
    said = [line for i in range(100) for line in press(bench, 62.0 + i * 0.1)]
    assert said == [
        "reset_refused/reset_press collector=main why=held down too long held_for=2.1 shortest=0.1 longest=2"
    ]
    assert sentence_of(bench.findings[-1]) == (
        "collector: reset refused, its button was held down too long (2.1 s): release it, then press it once for "
        "0.1 s to 2 s"
    )
    release(bench, 72.0)
    press(bench, 73.0)
    assert "hold_reset/hold collector=main why=estop refused_before=79" in release(bench, 73.5)


def test_what_the_broker_had_kept_of_the_button_is_no_press_and_no_release() -> None:
    bench = held()
    bench.tell(ev.ResetButton("main", pressed=False, retained=True), 61.0)
    assert events(press(bench, 62.0)) == ["reset_refused/reset_press"]
    bench = held()
    release(bench, 61.0)
    assert events(bench.tell(ev.ResetButton("main", pressed=True, retained=True), 62.0)) == [
        "reset_refused/reset_press"
    ]
    release(bench, 62.5)
    assert is_held(bench)


@pytest.mark.parametrize(
    "between",
    [
        [ev.BrokerLost(62.0), ev.BrokerConnected()],
        [ev.HoldAsked("main")],
        [ev.HoldRemembered("main")],
        [ev.StopReport("estop", active=True), ev.StopReport("estop", active=False)],
    ],
)
def test_a_press_does_not_reach_over_a_gap_or_a_new_cause(between: list[ev.Event]) -> None:
    bench = held()
    release(bench, 61.0)
    press(bench, 62.0)
    for event in between:
        bench.tell(event, 62.2)
    release(bench, 62.5)
    assert is_held(bench)
    press(bench, 66.0)
    release(bench, 66.5)
    assert not is_held(bench)


def test_a_press_starts_nothing_and_only_a_fresh_start_does() -> None:
    bench = running(stop_shop())
    bench.tell(ev.StopReport("estop", active=True), 60.0)
    bench.is_off(60.1)
    bench.tell(ev.StopReport("estop", active=False), 61.0)
    release(bench, 62.0)
    press(bench, 63.0)
    said = release(bench, 63.5)
    assert "start_refused/not_fresh tool=saw collector=main amps=5 start_amps=3" in said
    assert "on main" not in commands(bench.until(200.0))


def test_a_button_of_no_collector_is_ignored() -> None:
    bench = ready(saw_shop())
    assert events(bench.tell(ev.ResetButton("nobody", pressed=True), 50.0)) == ["message_ignored/unknown_name"]


def test_both_layers_hold_the_same_bounds_each_its_own() -> None:
    for name in ("reset_alone", "reset_shortest", "reset_longest"):
        assert getattr(Timing(), name) == getattr(GuardTiming(), name)
