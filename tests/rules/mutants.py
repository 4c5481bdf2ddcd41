"""Sequences that are wrong on purpose, each in one way, and an interlock that lets everything pass.

The interlock is worth something only if it holds a sequence that errs, and the sequence only if it needs no interlock.
Each mutant replaces a name in the rules for the length of a test.
"""
# ruff: noqa: SLF001 - to break a part in one way it must be taken apart

from collections.abc import Callable
from dataclasses import dataclass
from math import inf

import pytest
from msgspec.structs import replace
from small_shops import hose, limited, one_gate_and_a_stop, two_tools

from gatehand_rules import Shop, collectors, demand, gates, holds, interlock, sequence, zone
from gatehand_rules import events as ev
from gatehand_rules.commands import Command
from gatehand_rules.context import Context
from gatehand_rules.demand import Demand
from gatehand_rules.findings import Finding, Rule
from gatehand_rules.shop import CollectorAt, GateAt, StopAt, ToolAt
from gatehand_rules.state import (
    CoastDown,
    CollectorState,
    Freshness,
    GateOpen,
    GateOpening,
    GateState,
    Guard,
    Held,
    ToolRunning,
)
from gatehand_rules.words import Position

Patch = pytest.MonkeyPatch


@dataclass(frozen=True, slots=True)
class Mutant:
    """`breaks`: the invariant that falls without the interlock, in that shop and with those moves more."""

    apply: Callable[[Patch], None]
    breaks: str
    shop: Callable[[], Shop] = two_tools
    more: tuple[ev.Event, ...] = ()

    @property
    def name(self) -> str:
        return self.apply.__name__


def no_interlock(patch: Patch) -> None:
    """The interlock lets everything pass and adds nothing."""

    def judge(
        shop: Shop, guard: Guard, commands: tuple[Command, ...], now: float
    ) -> tuple[Guard, tuple[Command, ...], tuple[Finding, ...]]:
        del shop, now
        return guard, commands, ()

    def enforce(shop: Shop, guard: Guard, now: float) -> tuple[Guard, tuple[Command, ...], tuple[Finding, ...]]:
        del shop, now
        return guard, (), ()

    patch.setattr(interlock, "judge", judge)
    patch.setattr(interlock, "enforce", enforce)


def starts_while_gates_travel(patch: Patch) -> None:
    def told_is_proven(state: GateState) -> bool:
        return isinstance(state.move, GateOpen | GateOpening)

    patch.setattr(gates, "is_proven", told_is_proven)
    patch.setattr(demand, "is_proven", told_is_proven)


def takes_travel_for_a_report(patch: Patch) -> None:
    def arrives(context: Context, at: int) -> None:
        move = gates._overdue(context, GateAt(at))
        if move is not None:
            gates._arrive(context, GateAt(at), gates._goal(move), Rule.TRAVEL)

    patch.setattr(gates, "arrives", arrives)


def takes_a_retained_report_for_proof(patch: Patch) -> None:
    def report_retained(context: Context, at: int, position: Position, says: str) -> None:
        gates.report(context, GateAt(at), position, says)

    patch.setattr(gates, "report_retained", report_retained)


def forgets_that_the_fan_coasts(patch: Patch) -> None:
    def may_turn(seen: CollectorState, now: float) -> bool:
        del now
        return seen.on_phase

    patch.setattr(collectors, "may_turn", may_turn)


def breaks_before_it_makes(patch: Patch) -> None:
    def shut_others(context: Context, at: CollectorAt, chosen: list[GateAt]) -> None:
        for i in zone._leaving(context, at, chosen):
            gates.tell_shut(context, i, Rule.ZONE_CHANGE)

    patch.setattr(zone, "shut_others", shut_others)


def never_gives_air(patch: Patch) -> None:
    def no_fan_is_starved(context: Context, at: int) -> bool:
        del context, at
        return False

    patch.setattr(sequence, "_fan_against_shut_gates", no_fan_is_starved)


def ignores_the_stop_contact(patch: Patch) -> None:
    def stop(context: Context, at: CollectorAt, *, active: bool) -> None:
        context.stops[at] = active

    patch.setattr(holds, "stop", stop)


def forgets_the_hold(patch: Patch) -> None:
    def held(context: Context, at: CollectorAt, _phase: Held) -> None:
        context.set_collector(at, phase=CoastDown())

    patch.setattr(sequence, "_held", held)


def starts_on_a_reset(patch: Patch) -> None:
    def reset_tool(context: Context, at: int) -> None:
        state = context.tools[at]
        if isinstance(state, ToolRunning):
            context.tools[at] = replace(state, freshness=Freshness.FRESH)

    patch.setattr(holds, "_reset_tool", reset_tool)


def takes_a_repeat_for_a_press(patch: Patch) -> None:
    right = holds.reset_asked

    def asked(context: Context, at: CollectorAt, because: str = "", by: str = "") -> None:
        context.set_collector(at, reset=replace(context.collectors[at].reset, asked_at=-inf))
        right(context, at, because, by)

    patch.setattr(holds, "reset_asked", asked)


def takes_a_stuck_button_for_a_press(patch: Patch) -> None:
    right = holds.reset_button

    def button(context: Context, at: CollectorAt, *, pressed: bool) -> None:
        if not pressed and context.collectors[at].reset.pressed_at is not None:
            context.set_collector(at, reset=replace(context.collectors[at].reset, pressed_at=context.now - 1.0))
        right(context, at, pressed=pressed)

    patch.setattr(holds, "reset_button", button)


def starts_when_the_contact_clears(patch: Patch) -> None:
    right = holds.stop

    def stop(context: Context, at: StopAt, *, active: bool) -> None:
        was = context.stops[at]
        right(context, at, active=active)
        if was and not active:
            context.set_collector(CollectorAt(0), phase=CoastDown())
            for i, state in enumerate(context.tools):
                if isinstance(state, ToolRunning):
                    context.tools[i] = replace(state, freshness=Freshness.FRESH)

    patch.setattr(holds, "stop", stop)


def starts_on_stale_demands(patch: Patch) -> None:
    right = demand._of_tool

    def of_tool(context: Context, at: ToolAt) -> Demand | None:
        one = right(context, at)
        return None if one is None else replace(one, may_start=True, unconfirmed=False)

    patch.setattr(demand, "_of_tool", of_tool)


def grants_more_than_fits(patch: Patch) -> None:
    def fit(demands: list[Demand], limit: int | None) -> list[Demand]:
        del limit
        return demands

    patch.setattr(demand, "_fit", fit)


MUTANTS = (
    Mutant(starts_while_gates_travel, "I1"),
    Mutant(takes_travel_for_a_report, "I1"),
    Mutant(takes_a_retained_report_for_proof, "I1", more=(ev.GateReport("told", Position.OPEN, retained=True),)),
    Mutant(forgets_that_the_fan_coasts, "I2"),
    Mutant(breaks_before_it_makes, "I2"),
    Mutant(breaks_before_it_makes, "I3", shop=hose),
    Mutant(never_gives_air, "I4"),
    Mutant(ignores_the_stop_contact, "I5"),
    Mutant(forgets_the_hold, "I5"),
    Mutant(starts_on_a_reset, "I5"),
    Mutant(takes_a_repeat_for_a_press, "I5", shop=one_gate_and_a_stop),
    Mutant(
        takes_a_stuck_button_for_a_press,
        "I5",
        shop=one_gate_and_a_stop,
        more=(ev.ResetButton("main", pressed=True), ev.ResetButton("main", pressed=False)),
    ),
    Mutant(starts_when_the_contact_clears, "I5"),
    Mutant(starts_on_stale_demands, "I5"),
    Mutant(grants_more_than_fits, "I7", shop=limited),
)
