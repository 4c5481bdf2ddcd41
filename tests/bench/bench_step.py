"""`step` alone over an hour of a shop with 20 tools and 12 gates, beside the same shop as a machine of two packages.

All three are given the same readings in the same order and must give the same commands at the same instants, else
nothing is shown. Time is that of the processor, so that other work on the machine does not count.
"""

import random
import time
from collections.abc import Callable, Iterator
from itertools import islice

import machine_floor
import machine_statemachine
import machine_transitions
from bench_kit import Figure, Size

from gatehand_rules import Shop, State, initial, step
from gatehand_rules import events as ev
from gatehand_rules.commands import CollectorOff, CollectorOn, Command, OpenGate, ShutGate
from gatehand_rules.forecast import forecast
from gatehand_rules.shop import Collector, Gate, Tool

TOOLS, GATES = 20, 12
START = 20.0
"""Seconds of shop time until the daemon's start is over and everything is at rest."""
CUT_EVERY = 300.0
"""Seconds between a tool's cuts, on average: twelve an hour from each tool make a busy shop."""

Reading = tuple[float, int, float]
"""Seconds, the tool's index, ampere."""


def shop(tools: int = TOOLS, gates: int = GATES) -> Shop:
    """The shop; its gates do not report, its collector neither."""
    return Shop(
        collectors=(Collector(name="main", refresh=0),),
        gates=tuple(Gate(name=str(i), collector="main") for i in range(gates)),
        tools=tuple(
            Tool(name=f"t{i}", collector="main", gates=(str(i % gates),), start_at=2.5, stop_at=1.75)
            for i in range(tools)
        ),
    )


def readings(tools: int, seconds: float, seed: int = 7) -> list[Reading]:
    """One reading a second of each tool, with noise, and cuts of 5 to 90 s."""
    rng = random.Random(seed)
    found: list[Reading] = []
    for tool in range(tools):
        phase, cut_from, cut_to = rng.random(), START + rng.expovariate(1 / CUT_EVERY), 0.0
        for second in range(int(seconds)):
            now = round(second + phase, 3)
            if now >= cut_from:
                cut_to = cut_from + rng.uniform(5, 90)
                cut_from = cut_to + rng.expovariate(1 / CUT_EVERY)
            amps = rng.uniform(3.5, 9) if now < cut_to else rng.uniform(0, 0.4)
            found.append((now, tool, round(amps, 3)))
    return sorted(found)


def state_after(described: Shop, day: list[Reading]) -> tuple[State, float]:
    """The rules' state when the readings are over, and when that is."""
    commands: list[tuple[float, str]] = []
    state, now = _run(described, day, commands)
    return state, now


def by_rules(described: Shop, day: list[Reading]) -> list[tuple[float, str]]:
    """Our commands. Every reading is made an event first, as in the daemon."""
    commands: list[tuple[float, str]] = []
    _run(described, day, commands)
    return commands


def _run(described: Shop, day: list[Reading], commands: list[tuple[float, str]]) -> tuple[State, float]:
    names = [tool.name for tool in described.tools]
    state = step(described, initial(described, 0), ev.BrokerConnected(), 0).state
    now = 0.0
    for now, tool, amps in day:
        while state.wake_at is not None and state.wake_at <= now:
            state = _advance(described, state, ev.Tick(), state.wake_at, commands)
        state = _advance(described, state, ev.Reading(names[tool], amps), now, commands)
    return state, now


def _advance(described: Shop, state: State, event: ev.Event, now: float, commands: list[tuple[float, str]]) -> State:
    outcome = step(described, state, event, now)
    if outcome.commands:
        commands += [(now, word) for command in outcome.commands if (word := _word(command))]
    return outcome.state


def _word(command: Command) -> str | None:
    match command:
        case OpenGate(gate=gate):
            return f"open {gate}"
        case ShutGate(gate=gate):
            return f"shut {gate}"
        case CollectorOn():
            return "on"
        case CollectorOff():
            return "off"
        case _:
            return None


def by_machine(floor: machine_floor.Floor, day: list[Reading]) -> list[tuple[float, str]]:
    """The commands of a package's machine."""
    for now, tool, amps in day:
        while floor.wake_at <= now:
            floor.tick(floor.wake_at)
        floor.hear(tool, amps, now)
    return floor.commands


def figures(size: Size) -> Iterator[Figure]:
    """The figures."""
    described = shop()
    gate_of = [i % GATES for i in range(TOOLS)]
    day = readings(TOOLS, size.of(3600, 600))
    short = day[: len(day) // 6]
    contenders: dict[str, tuple[Callable[[list[Reading]], list[tuple[float, str]]], list[Reading]]] = {
        "step": (lambda some: by_rules(described, some), day),
        "transitions": (lambda some: by_machine(machine_transitions.floor(gate_of, GATES), some), day),
        "python-statemachine": (lambda some: by_machine(machine_statemachine.floor(gate_of, GATES), some), short),
    }
    _same(contenders, short)
    took: dict[str, list[float]] = {name: [] for name in contenders}
    for _ in range(size.of(7, 3)):
        for name, (work, some) in contenders.items():
            began = time.process_time()
            work(some)
            took[name].append((time.process_time() - began) / len(some) * 1e6)
    for name in ("transitions", "python-statemachine"):
        yield Figure(
            what="step, a reading, 20 tools, 12 gates",
            unit="us",
            ours=took["step"],
            baseline=f"the same shop in {name}",
            theirs=took[name],
            wanted=("at most", 0.1),
        )
    yield Figure(
        what="step, a reading, 20 tools, 12 gates",
        unit="us",
        ours=took["step"],
        baseline="the aim",
        theirs=(8.0,),
        wanted=("at most", 1.0),
    )

    yield _forecast(described, day, size)


def _forecast(described: Shop, day: list[Reading], size: Size) -> Figure:
    """What a status foretells after the readings, with every tool that ran in its run-on, beside one tick."""
    state, now = state_after(described, day)
    for tool in described.tools:
        state = step(described, state, ev.Reading(tool.name, 0.0), now).state
    works: dict[str, Callable[[], object]] = {
        "forecast": lambda: forecast(described, state, now),
        "tick": lambda: step(described, state, ev.Tick(), now),
    }
    took: dict[str, list[float]] = {name: [] for name in works}
    for _ in range(size.of(7, 3)):
        for name, work in works.items():
            began = time.process_time()
            for _ in range(100):
                work()
            took[name].append((time.process_time() - began) / 100 * 1e6)
    return Figure(
        what="a forecast with all run-ons ahead, 20 tools",
        unit="us",
        ours=took["forecast"],
        baseline="one tick of the same shop",
        theirs=took["tick"],
        wanted=("at most", 10.0),
    )


def _same(
    contenders: dict[str, tuple[Callable[[list[Reading]], list[tuple[float, str]]], list[Reading]]], day: list[Reading]
) -> None:
    """All give the same commands, from the time on when the daemon's start is over."""
    given = {name: [each for each in work(day) if each[0] > START] for name, (work, _) in contenders.items()}
    ours = given["step"]
    for name, theirs in given.items():
        for mine, other in islice(zip(ours, theirs, strict=False), len(ours)):
            if mine != other:
                raise SystemExit(f"{name} commands {other}, step {mine}: no comparison")
        if len(theirs) != len(ours):
            raise SystemExit(f"{name} gives {len(theirs)} commands, step {len(ours)}: no comparison")
