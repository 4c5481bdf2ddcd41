"""The monitor can fail: with the rules' two layers broken on purpose it finds each breach within a few days."""

from collections.abc import Callable
from importlib import import_module
from math import inf

import pytest
import sim_daemon
import sim_world
from msgspec.structs import replace
from sim_daemon import WatchedEngine
from sim_memory import SimMemory
from sim_play import play

import gatehand.mqtt.outbox
import gatehand.shell.config_reload
import gatehand.shell.log_first
from gatehand.journal import witness_words
from gatehand.shell.ports import Remembered
from gatehand_rules import collectors, demand, gates, holds, interlock, readings, reshape, sequence, zone
from gatehand_rules import events as ev
from gatehand_rules.context import Context
from gatehand_rules.findings import Fact, Finding
from gatehand_rules.shop import Collector, CollectorAt, Shop
from gatehand_rules.state import CollectorState, Guard

MOST = 30
"""Days within which a mutant must be found."""

Patch = pytest.MonkeyPatch


def blind_interlock(patch: Patch) -> None:
    """It lets everything pass and forces nothing."""

    def passes(_shop: Shop, guard: Guard, _at: int, _now: float) -> Finding | None:
        del guard
        return None

    for name in ("_veto_on", "_veto_shut", "_veto_open"):
        patch.setattr(interlock, name, passes)
    patch.setattr(interlock, "enforce", lambda _shop, guard, _now: (guard, (), ()))


def starts_without_proof(patch: Patch) -> None:
    """I1: every gate counts as proven as soon as it is told."""

    def all_gates(context: Context, at: int) -> list[int]:
        name = context.shop.collectors[at].name
        return [i for i, gate in enumerate(context.shop.gates) if gate.collector == name]

    patch.setattr(demand, "proven", all_gates)
    patch.setattr(zone, "is_ready", lambda _context, _chosen: True)


def shuts_while_it_turns(patch: Patch) -> None:
    """I2: the fan is taken to stand as soon as it is switched off."""
    patch.setattr(collectors, "may_turn", lambda state, _now: state.on_phase)
    patch.setattr(gates, "may_shut", lambda _context, _at: True)


def breaks_before_it_makes(patch: Patch) -> None:
    """I3: the old gates are shut at once."""
    patch.setattr(zone, "is_ready", lambda _context, _chosen: True)
    patch.setattr(gates, "may_shut", lambda _context, _at: True)


def leaves_a_starved_fan_alone(patch: Patch) -> None:
    """I4: a fan against shut gates is nobody's business."""
    patch.setattr(sequence, "_fan_against_shut_gates", lambda _context, _at: False)


def ignores_stop_contacts(patch: Patch) -> None:
    """I5: an emergency stop is heard and nothing done."""
    patch.setattr(holds, "stop", lambda _context, _at, **_: None)


def starts_what_draws_already(patch: Patch) -> None:
    """I5: whatever draws is fresh."""
    patch.setattr(holds, "make_stale", lambda _context, _at: None)
    patch.setattr(holds, "_reset_tool", lambda _context, _at: None)
    patch.setattr(sequence, "make_stale", lambda _context, _at: None)


def acts_on_retained_messages(patch: Patch) -> None:
    """I6: a retained wish for air is a wish."""
    step = import_module("gatehand_rules.step")  # the package's name of it is the function
    real = step._observe  # noqa: SLF001

    def observe(context: Context, event: ev.Event) -> None:
        if isinstance(event, ev.HandAsked | ev.ButtonPressed | ev.ResetAsked):
            event = replace(event, retained=False)
        real(context, event)

    patch.setattr(step, "_observe", observe)


def opens_without_limit(patch: Patch) -> None:
    """I7: whoever asks gets air, and nothing is shut while the fan is on."""
    patch.setattr(demand, "grant", demand.of_collector)
    patch.setattr(zone, "shut_others", lambda _context, _at, _chosen: None)
    patch.setattr(zone, "trim", lambda _context, _at: None)


def forgets_the_budget(patch: Patch) -> None:
    """I8: it goes off whenever nothing asks."""
    patch.setattr(collectors, "free_again_at", lambda _collector, _state, _now: -inf)


def leaves_its_gates_open(patch: Patch) -> None:
    """Nobody asks any more, and the gates stay as they are."""
    patch.setattr(zone, "rest", lambda _context, _at: None)


def tells_before_it_writes(patch: Patch) -> None:
    """Log first: commands do not wait for the disk."""
    patch.setattr(gatehand.shell.log_first, "BOUND", -1.0)


def writes_to_a_frozen_broker(patch: Patch) -> None:
    """I6: a command waits in the socket until the broker thaws."""
    patch.setattr(gatehand.mqtt.outbox, "FRESH", 1e9)


def lets_old_commands_leave(patch: Patch) -> None:
    """I6: what was held leaves with the sign of life, however late that is."""
    patch.setattr(gatehand.mqtt.outbox, "LATEST", 1e9)


def forgets_the_starts_of_before(patch: Patch) -> None:
    """I8: a daemon that starts gives the motor a new hour."""
    patch.setattr(sim_daemon, "starts_in", lambda _lines, _wall, _mono: {})


def takes_a_kept_word_of_a_gate_for_live(patch: Patch) -> None:
    """I1: what the broker retains of a dead gate is proof."""
    step = import_module("gatehand_rules.step")
    real = step._observe  # noqa: SLF001

    def observe(context: Context, event: ev.Event) -> None:
        real(context, replace(event, retained=False) if isinstance(event, ev.GateReport) else event)

    patch.setattr(step, "_observe", observe)


def believes_at_once_after_a_silence(patch: Patch) -> None:
    """I6: the first word after a silence is as good as any."""

    def weigh(context: Context, at: int, *, high: bool, young: bool) -> str | None:
        del high, young
        context.doubts[at] = None
        return None

    patch.setattr(readings, "weigh", weigh)


def ignores_a_standstill(patch: Patch) -> None:
    """I6: what waited through it is as new as any."""
    patch.setattr(WatchedEngine, "stood_still", lambda _self, _line, _seconds: None)


def forgets_a_hold_at_a_reload(patch: Patch) -> None:
    """I5: a held collector under another name is another collector."""
    patch.setattr(reshape, "under_new_names", lambda shop, _names: shop)
    patch.setattr(gatehand.shell.config_reload, "obstacles", lambda *_: ())
    patch.setattr(WatchedEngine, "_hold_again", lambda self, _owed: self.notebook.in_step(self.active, self.state))


def forgets_a_hold_at_a_power_cut(patch: Patch) -> None:
    """I5: nothing is kept on our own disk."""
    patch.setattr(sim_world, "SimMemory", lambda clocks, _kept: SimMemory(clocks, Remembered()))


def takes_any_message_for_a_press(patch: Patch) -> None:
    """I5: a reset that repeats every 0.1 s is a reset each time."""
    right = holds.reset_asked

    def asked(context: Context, at: CollectorAt, because: str = "", by: str = "") -> None:
        context.set_collector(at, reset=replace(context.collectors[at].reset, asked_at=-inf))
        right(context, at, because, by)

    patch.setattr(holds, "reset_asked", asked)


def hears_the_stops_with_everything_else(patch: Patch) -> None:
    """I5: in a flood a pressed stop is dropped."""
    patch.setattr(sim_daemon, "_apart", lambda _wanted: ())
    patch.setattr(sim_daemon, "_together", lambda wanted: wanted)


def takes_one_word_for_a_hand(patch: Patch) -> None:
    """One sample of nothing is somebody at the switch."""
    patch.setattr(
        collectors, "contrary_at", lambda _timing, seen: inf if seen.contrary is None else seen.contrary.since
    )


def ends_no_alarm(patch: Patch) -> None:
    """An alarm that was raised stands for good."""
    patch.setattr(Context, "clear_alarm", lambda *_args, **_facts: None)


Mutants = list[tuple[Callable[[Patch], None], str, int]]
"""What is broken, the rule, and a day not long before one that shows it: so that not all of them need be played."""
BOTH_LAYERS: Mutants = [
    (starts_without_proof, "I1", 0),
    (shuts_while_it_turns, "I2", 0),
    (breaks_before_it_makes, "I3", 1),
    (leaves_a_starved_fan_alone, "I4", 9),
    (ignores_stop_contacts, "I5", 0),
    (starts_what_draws_already, "I5", 5),
    (acts_on_retained_messages, "I6", 3),
    (opens_without_limit, "I7", 0),
    (forgets_the_budget, "I8", 1),
]
SHELL: Mutants = [
    (tells_before_it_writes, "log first", 0),
    (writes_to_a_frozen_broker, "I6", 5),
    (lets_old_commands_leave, "I6", 5),
    (leaves_its_gates_open, "liveness", 0),
    (forgets_the_starts_of_before, "I8", 1),
]
NEWER: Mutants = [
    (takes_a_kept_word_of_a_gate_for_live, "I1", 7),
    (believes_at_once_after_a_silence, "I6", 1),
    (ignores_a_standstill, "I6", 1),
    (forgets_a_hold_at_a_reload, "I5", 1),
    (forgets_a_hold_at_a_power_cut, "I5", 9),
    (takes_any_message_for_a_press, "I5", 1),
    (hears_the_stops_with_everything_else, "I5", 3),
    (takes_one_word_for_a_hand, "liveness", 0),
    (ends_no_alarm, "alarm", 0),
]


def blames_the_relay_at_once(patch: Patch) -> None:
    """Any old word that a fan is on, and none at all, is taken for a welded relay."""
    patch.setattr(witness_words, "says_on", lambda _facts: True)


def tells_old_words_as_new(patch: Patch) -> None:
    """Whatever a witness said last, it says now."""
    seen_of = collectors.seen_of

    def all_new(collector: Collector, fan: CollectorState, now: float) -> dict[str, Fact]:
        facts = seen_of(collector, fan, now)
        return {name: 0.0 if name in {"reported_ago", "motor_ago"} else fact for name, fact in facts.items()}

    patch.setattr(collectors, "seen_of", all_new)


WORDS: Mutants = [
    (blames_the_relay_at_once, "words", 0),
    (tells_old_words_as_new, "words", 0),
]


def found_in(rule: str, first: int, seed: str = "mutant") -> int | None:
    """The first day on which the rule was seen broken."""
    for day in range(first, first + MOST):
        breaches = play(f"{seed}.{day}").breaches
        if any(rule in each.rule for each in breaches):
            return day
    return None


@pytest.mark.slow
@pytest.mark.parametrize(("mutate", "rule", "first"), BOTH_LAYERS, ids=lambda one: getattr(one, "__name__", one))
def test_a_breach_of_both_layers_is_found(
    mutate: Callable[[Patch], None], rule: str, first: int, monkeypatch: Patch
) -> None:
    blind_interlock(monkeypatch)
    mutate(monkeypatch)
    assert found_in(rule, first) is not None


@pytest.mark.slow
@pytest.mark.parametrize(("mutate", "rule", "first"), [*SHELL, *WORDS], ids=lambda one: getattr(one, "__name__", one))
def test_a_mistake_of_the_shell_is_found(
    mutate: Callable[[Patch], None], rule: str, first: int, monkeypatch: Patch
) -> None:
    mutate(monkeypatch)
    assert found_in(rule, first) is not None


@pytest.mark.slow
@pytest.mark.parametrize(("mutate", "rule", "first"), NEWER, ids=lambda one: getattr(one, "__name__", one))
def test_what_was_wrong_once_would_be_found(
    mutate: Callable[[Patch], None], rule: str, first: int, monkeypatch: Patch
) -> None:
    blind_interlock(monkeypatch)
    mutate(monkeypatch)
    assert found_in(rule, first, "m") is not None
