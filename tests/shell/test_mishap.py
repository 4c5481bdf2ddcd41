"""A mistake of our own in the rules: the fan is switched off, held, and the daemon goes on."""

from collections.abc import Callable
from typing import Any

import pytest
from msgspec.structs import replace
from shell_support import World

from gatehand.shell import engine as engine_module
from gatehand_rules import events as ev
from gatehand_rules import sequence, step
from gatehand_rules.context import Context
from gatehand_rules.shop import CollectorAt, Shop
from gatehand_rules.state import Running, RunOn, State, collector_word
from gatehand_rules.step import Outcome

FAN = "shop/fan/set"


def break_step(monkeypatch: pytest.MonkeyPatch, when: Callable[[State, ev.Event], bool]) -> list[str]:
    """Make `step` fail when told to; gives the names of the events it failed on."""
    failed: list[str] = []

    def broken(shop: Shop, state: State, event: ev.Event, now: float) -> Outcome:
        if when(state, event):
            failed.append(type(event).__name__)
            raise AssertionError("an invariant does not hold")
        return step(shop, state, event, now)

    monkeypatch.setattr(engine_module, "step", broken)
    return failed


def test_a_step_that_fails_tells_the_fan_off_and_holds(monkeypatch: pytest.MonkeyPatch) -> None:
    world = World().cutting()
    began = world.clocks.now
    break_step(monkeypatch, lambda _state, event: event == ev.Reading("router", 3.0))
    world.say("shop/router/amps", "3")
    assert world.commands(began)[0] == (FAN, "0"), "by the shortest way, before anything else"
    assert collector_word(world.engine.state.collectors[0]) == "held"
    assert world.engine.mishaps == 1
    assert world.events("internal_error")[0]["error"] == "AssertionError"
    alarm = world.shown("alarm/daemon.main.internal_error")
    assert "put every collector on hold" in alarm["because"]
    # It goes on working: a hold that is reset lets a fresh start through.
    world.say("shop/fan/state", "0")
    world.say("shop/band_saw/amps", "0")
    world.run(20)
    world.say("gatehand/collector/main/reset", "")
    again = world.clocks.now
    world.say("shop/band_saw/amps", "5")
    world.run(0.2)
    world.say("shop/gate/band_saw/state", "open")
    assert world.commands(again)[-1] == (FAN, "1")


def test_an_on_that_was_decided_before_does_not_follow_the_off(monkeypatch: pytest.MonkeyPatch) -> None:
    world = World().rested()
    world.say("shop/band_saw/amps", "5")
    world.run(0.3)
    world.log.stalled = True
    began = world.clocks.now
    world.say("shop/gate/band_saw/state", "open")
    assert world.commands(began) == [(FAN, "1")]
    break_step(monkeypatch, lambda _state, event: event == ev.Reading("router", 3.0))
    world.say("shop/router/amps", "3")
    world.log.flush()
    world.run(1)
    told = [payload for topic, payload in world.commands(began) if topic == FAN]
    assert told[-1] == "0"
    assert "1" not in told[told.index("0") :]


def test_a_deadline_that_fails_each_time_does_not_spin(monkeypatch: pytest.MonkeyPatch) -> None:
    world = World().cutting()
    failed = break_step(monkeypatch, lambda _state, event: isinstance(event, ev.Tick))
    world.run(60)
    assert 2 <= len(failed) <= 70


def test_a_state_that_no_step_bears_is_given_up_for_a_new_one_that_is_held(monkeypatch: pytest.MonkeyPatch) -> None:
    world = World().cutting()
    spoilt = world.engine.state.gates
    began = world.clocks.now
    break_step(monkeypatch, lambda state, _event: state.gates is spoilt)
    world.say("shop/band_saw/amps", "9")
    world.run(1)
    assert collector_word(world.engine.state.collectors[0]) == "held"
    assert world.commands(began)[0] == (FAN, "0")
    assert (FAN, "1") not in world.commands(began)
    world.run(30)
    assert world.engine.mishaps == 1


def test_rules_that_always_fail_never_end_the_daemon(monkeypatch: pytest.MonkeyPatch) -> None:
    world = World().cutting()
    began = world.clocks.now
    break_step(monkeypatch, lambda _state, _event: True)
    for _ in range(10):
        world.say("shop/band_saw/amps", "5")
        world.run(1)
    assert set(world.commands(began)) == {(FAN, "0")}
    world.engine.stop()


def test_the_standing_alarms_of_a_state_given_up_are_cleared(monkeypatch: pytest.MonkeyPatch) -> None:
    world = World().cutting()
    world.run(40)  # both sensors fall silent
    assert "tool.router.silent" in world.engine.publisher.alarms.raised
    spoilt: Any = world.engine.state.gates
    break_step(monkeypatch, lambda state, _event: state.gates is spoilt)
    world.say("shop/band_saw/amps", "9")
    assert "tool.router.silent" not in world.engine.publisher.alarms.raised
    assert world.shown("alarm/tool.router.silent") is None


def test_a_deadline_that_is_always_over_does_not_spin(monkeypatch: pytest.MonkeyPatch) -> None:
    world = World().cutting()
    ticks = []

    def stuck(shop: Shop, state: State, event: ev.Event, now: float) -> Outcome:
        ticks.append(event)
        outcome = step(shop, state, event, now)
        return replace(outcome, state=replace(outcome.state, wake_at=now - 1))

    monkeypatch.setattr(engine_module, "step", stuck)
    world.say("shop/router/amps", "0")
    world.run(10)
    assert 10 <= len(ticks) <= 250


def test_rules_that_come_to_no_end_within_an_instant_are_a_mishap_and_hold_the_fan(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    world = World().cutting()
    began = world.clocks.now
    one = sequence._one  # noqa: SLF001 - the part that is broken on purpose

    def to_and_fro(context: Context, at: CollectorAt) -> None:
        phase = context.collectors[at].phase
        if isinstance(phase, Running | RunOn):
            context.set_collector(at, phase=Running() if isinstance(phase, RunOn) else RunOn("no_demand"))
        else:
            one(context, at)

    monkeypatch.setattr(sequence, "_one", to_and_fro)
    world.say("shop/router/amps", "3")
    assert world.commands(began)[0] == (FAN, "0")
    assert collector_word(world.engine.state.collectors[0]) == "held"
    (told,) = world.events("internal_error")
    assert told["error"] == "UnsettledError"
    assert "main still changed after" in str(told["text"])


def test_a_state_given_up_forgets_no_start_of_the_motor(monkeypatch: pytest.MonkeyPatch) -> None:
    world = World().cutting()
    starts = world.engine.state.collectors[0].starts
    assert len(starts) == 1
    spoilt = world.engine.state.gates
    break_step(monkeypatch, lambda state, _event: state.gates is spoilt)
    world.say("shop/band_saw/amps", "9")
    assert world.engine.state.collectors[0].starts == starts
