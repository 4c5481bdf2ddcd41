"""The order of the whole exercise: look around, ask, hold, every gate, every tool, who never spoke, the end."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

from gatehand.config import Config
from gatehand.config.signals import Signal
from gatehand.exercise import gates, tools
from gatehand.exercise.attendant import Attendant
from gatehand.exercise.bench import Bench, BrokenOffError, HaltedError, RefusedError
from gatehand.exercise.results import GateResult, Remark, Result, ToolResult, Weight
from gatehand.journal.sentences import spoken
from gatehand.text import named
from gatehand_rules.words import Position

ROUNDS: Final = 5
LAST_LISTEN: Final = 30.0
"""Seconds at most that silent sensors are waited for in the end."""
CAUTIONS: Final = """\
Gates will move by themselves: hands, tools and hoses out of every gate.
No tool may run, no fan may turn, and nobody may work at the collector, its bin or its filter.
This is no lockout: who reaches into a machine isolates it first, at its plug or its breaker."""


@dataclass(frozen=True, slots=True)
class Asked:
    """What is to be exercised, and how."""

    gates: tuple[str, ...]
    tools: tuple[str, ...]
    rounds: int = ROUNDS
    yes: bool = False
    """The question before anything moves has been answered already."""


async def walk(config: Config, bench: Bench, asked: Asked) -> Result:
    """Do it all, and give what was found, also when it did not go to its end.

    Raises:
        RefusedError: nothing was begun and nothing moved.
        BrokenOffError: the person said no before anything moved.
    """
    attendant = Attendant(config, bench)
    await attendant.look_around()
    if not asked.yes:
        await _ask(attendant, asked)
    found: dict[str, Position] = {}
    gate_results: list[GateResult] = []
    tool_results: list[ToolResult] = []
    ending = Result()
    try:
        await attendant.hold()
        found = gates.where_found(attendant)
        await _every_gate(attendant, asked, found, gate_results)
        await _every_tool(attendant, asked.tools, tool_results)
        ending = replace(ending, unheard=await _unheard(attendant, asked))
    except HaltedError as halt:
        ending = replace(ending, stopped=str(halt), made_safe=await attendant.make_safe(found))
    except BrokenOffError:
        ending = replace(ending, broken_off=True, made_safe=await attendant.make_safe(found))
    return replace(
        ending,
        gates=tuple(gate_results),
        tools=tuple(tool_results),
        with_daemon=attendant.with_daemon,
        held=attendant.held,
        held_before=attendant.held_before,
    )


async def _ask(attendant: Attendant, asked: Asked) -> None:
    say, config = attendant.bench.say, attendant.config
    moved = [name for name in asked.gates if config.gate[name].command is not None]
    if moved:
        names = ", ".join(map(spoken, moved))
        rounds = named(asked.rounds, "time")
        say(f"{named(len(moved), 'gate')} will be told open and shut, up to {rounds} each: {names}.")
    if attendant.with_daemon:
        say("The daemon is told to hold: the collector is kept off until somebody resets it.")
    else:
        say("No daemon is heard: the collector is told off from here, and the gates are told from here.")
    say(CAUTIONS)
    attendant.bench.ask("Does the fan stand still, and is everybody clear? Type yes to begin")
    answer = await attendant.answer()
    if answer is None or answer.strip().lower() not in {"yes", "y"}:
        raise BrokenOffError
    trouble = attendant.refusals()
    if trouble:
        raise RefusedError("; ".join(trouble))


async def _every_gate(
    attendant: Attendant, asked: Asked, found: dict[str, Position], results: list[GateResult]
) -> None:
    for number, name in enumerate(asked.gates, 1):
        attendant.bench.say(f"Gate {number} of {len(asked.gates)}: {spoken(name)}")
        result = await gates.exercise(attendant, name, asked.rounds, found)
        results.append(result)
        for remark in result.remarks:
            attendant.bench.say(f"  {remark.text}")


async def _every_tool(attendant: Attendant, names: Sequence[str], results: list[ToolResult]) -> None:
    if names and not attendant.person:
        attendant.bench.say("Nobody is there to start the tools: they are left out.")
    for number, name in enumerate(names, 1):
        if attendant.person:
            attendant.bench.say(f"Tool {number} of {len(names)}: {spoken(name)}")
        result = await tools.exercise(attendant, name)
        results.append(result)
        for remark in result.remarks if attendant.person else ():
            attendant.bench.say(f"  {remark.text}")


async def _unheard(attendant: Attendant, asked: Asked) -> tuple[Remark, ...]:
    """Topics of the config on which nobody ever spoke; sensors that speak by the clock are given their time."""
    config = attendant.config
    waits = [
        config.tool[one.name].silent_after
        for one in attendant.ears.unheard()
        if one.kind == "tool" and one.key == "current" and one.name in asked.tools
    ]
    left = attendant.began + min(LAST_LISTEN, max(waits, default=0.0)) - attendant.bench.now()
    if left > 0:
        attendant.bench.say(f"Listening for {left:.0f} s more to sensors that have not spoken yet.")
        await attendant.wait(left)
    return tuple(_of_unheard(attendant, one) for one in attendant.ears.unheard())


def _of_unheard(attendant: Attendant, one: Signal) -> Remark:
    whose = f"{one.kind} {spoken(one.name)}"
    why = attendant.ears.unreadable.get((one.kind, one.name))
    if why is not None:
        return Remark(Weight.FAILED, f"{one.topic} ({whose}, {one.key}) says what cannot be read: {why}.")
    text = f"{one.topic} ({whose}, {one.key}) never spoke"
    match one.key:
        case "button" | "reset":
            return Remark(Weight.LOOK, f"{text}: nobody pressed it?")
        case "current" if one.kind == "tool" and attendant.config.tool[one.name].silent_after == 0:
            return Remark(Weight.LOOK, f"{text}: it speaks on change only; start the tool once.")
        case "state" if one.kind == "collector":
            return Remark(
                Weight.LOOK, f"{text}: its switch may speak on change only; retained reports would be better."
            )
        case "current" | "state":
            return Remark(Weight.FAILED, f"{text}: look at the device's power, network and topic.")
        case _:
            return Remark(Weight.LOOK, f"{text}: its state is not known.")
