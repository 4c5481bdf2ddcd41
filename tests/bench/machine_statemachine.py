"""The shop of `machine_floor` in the package `python-statemachine`: three classes, as its manual has them."""

# mypy: allow-untyped-calls, allow-subclassing-any

from typing import Any

from machine_floor import FanFacts, Floor, GateFacts, Parts, ToolFacts
from statemachine import State, StateMachine


class Tool(StateMachine):
    """A tool."""

    allow_event_without_transition = True
    idle = State(initial=True)
    running = State()
    run_on = State()
    silent = State()
    hear = (
        idle.to(running, cond="is_high", on="turn")
        | idle.to.itself(internal=True, on="note")
        | running.to(run_on, cond="is_low", on="turn")
        | running.to.itself(internal=True, on="note")
        | run_on.to(running, cond="is_high", on="turn")
        | run_on.to.itself(internal=True, on="note")
        | silent.to(idle, on="turn")
    )
    pass_time = (
        idle.to(silent, cond="is_silent")
        | running.to(silent, cond="is_silent")
        | run_on.to(silent, cond="is_silent")
        | run_on.to(idle, cond="is_over")
    )


class Gate(StateMachine):
    """A gate."""

    allow_event_without_transition = True
    shut = State(initial=True)
    opening = State()
    open_ = State(value="open")
    shutting = State()
    tell_open = shut.to(opening, on="told") | shutting.to(opening, on="told")
    tell_shut = open_.to(shutting, on="told") | opening.to(shutting, on="told")
    pass_time = opening.to(open_, cond="has_arrived") | shutting.to(shut, cond="has_arrived")


class Fan(StateMachine):
    """The collector."""

    allow_event_without_transition = True
    off = State(initial=True)
    opening = State()
    spin_up = State()
    running = State()
    run_on = State()
    coast_down = State()
    look = (
        off.to(opening, cond="is_wanted")
        | coast_down.to(opening, cond="is_wanted")
        | coast_down.to(off, cond="stands_still", on="rest")
        | opening.to(coast_down, cond="is_unwanted")
        | opening.to(spin_up, cond="can_start", on="start")
        | spin_up.to(coast_down, cond="is_unwanted", on="stop")
        | running.to(coast_down, cond="is_unwanted", on="stop")
        | run_on.to(coast_down, cond="is_unwanted", on="stop")
        | spin_up.to(running, cond="is_spun_up_and_cuts", on="keep_zone")
        | spin_up.to(run_on, cond="is_spun_up", on="keep_zone")
        | running.to(run_on, unless="cuts", on="keep_zone")
        | run_on.to(running, cond="cuts", on="keep_zone")
        | spin_up.to.itself(internal=True, on="keep_zone")
        | running.to.itself(internal=True, on="keep_zone")
        | run_on.to.itself(internal=True, on="keep_zone")
    )


class _Driven:
    """A model with its machine: facts on the one side, states on the other."""

    def __init__(self, machine: Any, facts: object) -> None:  # noqa: ANN401 - the package's own magic
        self.facts: Any = facts
        self.machine = machine(facts)
        for event in machine.events:
            setattr(self, event.id, getattr(self.machine, event.id))

    def __getattr__(self, name: str) -> object:
        return getattr(self.facts, name)

    @property
    def word(self) -> str:
        return str(self.facts.state)


def floor(gate_of: list[int], gates: int) -> Floor:
    """A shop at rest."""
    made = Floor(gate_of)
    tools: list[Any] = [_Driven(Tool, ToolFacts()) for _ in gate_of]
    doors: list[Any] = [_Driven(Gate, GateFacts()) for _ in range(gates)]
    fan: Any = _Driven(Fan, FanFacts(made))
    made.parts = Parts(tools, doors, fan)
    made.settle(0.0)
    return made
