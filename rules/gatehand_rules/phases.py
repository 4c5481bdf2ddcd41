"""The phases of a collector: every change from one to another goes through `transition`, by the table below.

What is not in the table cannot happen. Whoever decides (the sequence, a hold, the daemon's start) names the cause and
the phase that it leads to, and `transition` looks whether the table knows it. No other file sets a phase. The diagram
in DEVELOPERS.md is drawn from the table.

Two things stand here that are no rows of it: how a collector begins, and how a start that the interlock has vetoed is
taken back within its step.
"""

from collections.abc import Mapping
from enum import StrEnum
from typing import Any, Final

from msgspec.structs import replace

from gatehand_rules import state as st
from gatehand_rules.context import Context
from gatehand_rules.shop import CollectorAt


class Cause(StrEnum):
    """What brings a collector from one phase to another."""

    DEMAND = "demand"
    """Something wants air and may start the fan: its gates are opened first."""
    WAITS = "waits"
    """The gates are ready, and it waits for the stop contacts or for another inrush; or that wait is over."""
    GATES_READY = "gates ready"
    CALLED_OFF = "called off"
    """The demand was over, or could not be served, before the fan was on."""
    SERVES = "serves"
    """A tool cuts, a hand start lasts, or somebody switched it on at its own switch."""
    KEPT_ON = "kept on"
    """For run-on, after adoption, or for the budget of starts."""
    NO_DEMAND = "no demand"
    STANDS_STILL = "stands still"
    FOUND_ON = "found on"
    """It turns at the daemon's start: gates are opened for it before it is adopted."""
    ADOPTED = "adopted"
    NOT_ADOPTED = "not adopted"
    SWITCHED_ON = "switched on by hand"
    SWITCHED_OFF = "switched off by hand"
    SHUT_GATES = "shut gates"
    """It turns with too few gates proven open (I4)."""
    HOLD = "hold"
    RESET = "reset"
    OFF_ASKED = "off asked for"
    START_LOST = "start lost"
    """The broker was lost, and with it perhaps the "on"."""
    NOT_CONTINUED = "not continued"
    """After a gap "off" is said again: at the daemon's start, a new connection, the end of a standstill, an edit."""
    SHUTDOWN = "shutdown"


_FROM_ON: Final[Mapping[Cause, type[st.Phase]]] = {
    Cause.KEPT_ON: st.RunOn,
    Cause.NO_DEMAND: st.CoastDown,
    Cause.SWITCHED_OFF: st.CoastDown,
    Cause.SHUT_GATES: st.CoastDown,
    Cause.OFF_ASKED: st.CoastDown,
    Cause.START_LOST: st.CoastDown,
    Cause.NOT_CONTINUED: st.CoastDown,
    Cause.SHUTDOWN: st.CoastDown,
    Cause.HOLD: st.Held,
}
"""What can happen to a collector that is on, whichever way."""

TABLE: Final[Mapping[type[st.Phase], Mapping[Cause, type[st.Phase]]]] = {
    st.Off: {
        Cause.DEMAND: st.Opening,
        Cause.FOUND_ON: st.Opening,
        Cause.SWITCHED_ON: st.Running,
        Cause.SHUT_GATES: st.CoastDown,
        Cause.OFF_ASKED: st.CoastDown,
        Cause.NOT_CONTINUED: st.CoastDown,
        Cause.HOLD: st.Held,
    },
    st.Opening: {
        Cause.WAITS: st.Opening,
        Cause.GATES_READY: st.SpinUp,
        Cause.CALLED_OFF: st.CoastDown,
        Cause.ADOPTED: st.Running,
        Cause.NOT_ADOPTED: st.CoastDown,
        Cause.SWITCHED_ON: st.Running,
        Cause.SHUT_GATES: st.CoastDown,
        Cause.OFF_ASKED: st.CoastDown,
        Cause.NOT_CONTINUED: st.CoastDown,
        Cause.SHUTDOWN: st.CoastDown,
        Cause.HOLD: st.Held,
    },
    st.SpinUp: {Cause.SERVES: st.Running, **_FROM_ON},
    st.Running: {**_FROM_ON},
    st.RunOn: {Cause.SERVES: st.Running, **_FROM_ON},
    st.CoastDown: {
        Cause.STANDS_STILL: st.Off,
        Cause.DEMAND: st.Opening,
        Cause.SWITCHED_ON: st.Running,
        Cause.SHUT_GATES: st.CoastDown,
        Cause.NOT_CONTINUED: st.CoastDown,
        Cause.HOLD: st.Held,
        Cause.SHUTDOWN: st.CoastDown,
    },
    st.Held: {
        Cause.HOLD: st.Held,
        Cause.RESET: st.CoastDown,
    },
}
"""From each phase, by each cause that it knows, the phase that follows. From a phase to itself: its data change."""


class TransitionError(RuntimeError):
    """A change of phase that the table does not know: a mistake of the rules. Whoever steps has to hold every fan."""


def transition(context: Context, at: CollectorAt, cause: Cause, phase: st.Phase, **changes: Any) -> None:  # noqa: ANN401 - `replace` checks the names
    """Bring the collector at index `at` to `phase`, and change what else goes with it. To be where it is is no change.

    Raises `TransitionError` when the table does not know it.
    """
    state = context.collectors[at]
    if state.phase != phase:
        if TABLE[type(state.phase)].get(cause) is not type(phase):
            name, before, after = context.shop.collectors[at].name, type(state.phase), type(phase)
            way = f"from {before.word} to {after.word}"
            raise TransitionError(f"the collector {name} cannot go {way} by '{cause}'")
    elif not changes:
        return
    context.collectors[at] = replace(state, phase=phase, **changes)


def at_start(starts: tuple[float, ...] = ()) -> st.CollectorState:
    """A collector at the daemon's start, of which nothing is known. `starts`: its motor's starts of the last hour."""
    return st.CollectorState(phase=st.Off(), starts=starts)


def added() -> st.CollectorState:
    """A collector that an edit has added: it may turn until it was switched off."""
    return st.CollectorState(phase=st.CoastDown())


def take_back(context: Context, at: CollectorAt, before: st.CollectorState) -> None:
    """The interlock has vetoed "on": the collector is what it was when this step gave it. A hold follows."""
    context.collectors[at] = before
