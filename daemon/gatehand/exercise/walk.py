"""The order of the whole exercise: look around, ask, hold, stops, gates, tools, buttons, who never spoke, the end."""

from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from typing import Final

from gatehand.config import Config
from gatehand.config.signals import SENSORS, Signal
from gatehand.exercise import one_gate, one_press, one_tool
from gatehand.exercise.question import NO, YES, Question
from gatehand.exercise.results import Remark, Result, failed, look
from gatehand.exercise.supervisor import BrokenOffError, HaltedError, Supervisor
from gatehand.exercise.terminal_io import TerminalIo
from gatehand.journal.sentences import spoken
from gatehand.mqtt.client import ClientError
from gatehand.text import named

LAST_LISTEN: Final = 30.0
"""Seconds at most that silent sensors are waited for in the end."""
CAUTIONS: Final = """\
Gates will move by themselves: hands, tools and hoses out of every gate.
No tool may run, no fan may turn, and nobody may work at the collector, its bin or its filter.
This is not a lockout: lock a machine out, at its plug or its breaker, before you reach into it."""


BEGIN: Final = Question("Has the fan stopped turning? Is everybody clear? Type yes to begin", no=NO, skip=False)
LOOK_AT_GATES: Final = "Look at the gates: one may not be where it was found."


@dataclass(frozen=True, slots=True)
class Asked:
    """What is to be exercised, and how."""

    gates: tuple[str, ...]
    tools: tuple[str, ...]
    rounds: int
    presses: tuple[Signal, ...] = ()
    """Stop contacts and buttons."""
    yes: bool = False
    """The question before anything moves has been answered already."""


async def walk(config: Config, world: TerminalIo, asked: Asked) -> Result:
    """Do it all, and give what was found, also when it did not go to its end.

    Raises:
        RefusedError: nothing was begun and nothing moved.
        BrokenOffError: the person said no before anything moved.
    """
    supervisor = Supervisor(config, world)
    await supervisor.look_around()
    if not asked.yes:
        await _ask(supervisor, asked)
    result = supervisor.result
    try:
        await _all(supervisor, asked)
        with suppress(BrokenOffError):
            if supervisor.moving is not None:  # told where to go in the end: its report of that is our doing yet
                await supervisor.wait(config.gate[supervisor.moving].travel)
        await supervisor.say_ended()
    except ClientError as error:
        result.stopped = str(error)
        result.made_safe = LOOK_AT_GATES if result.gates else ""
    return result


async def _all(supervisor: Supervisor, asked: Asked) -> None:
    """Every part, and what made an end of it before its time."""
    world, result = supervisor.world, supervisor.result
    try:
        await supervisor.hold()
        supervisor.found = one_gate.where_found(supervisor)
        stops = [each for each in asked.presses if each.kind == "stop"]
        await _every_press(supervisor, stops, asked)
        for number, name in enumerate(asked.gates, 1):
            world.say(f"Gate {number} of {len(asked.gates)}: {spoken(name)}")
            result.gates.append(await one_gate.exercise(supervisor, name, asked.rounds))
            _say_remarks(world, result.gates[-1].remarks)
        await _every_tool(supervisor, asked.tools)
        await _every_press(supervisor, [each for each in asked.presses if each not in stops], asked)
        result.unheard = await _unheard(supervisor, asked)
        result.meters = [one_tool.meter(supervisor, name) for name in asked.tools]
    except HaltedError as halt:
        result.stopped, result.made_safe = str(halt), await supervisor.make_safe()
    except BrokenOffError:
        result.broken_off, result.made_safe = True, await supervisor.make_safe()


def _say_remarks(world: TerminalIo, remarks: tuple[Remark, ...]) -> None:
    for remark in remarks:
        world.say(f"  {remark.text}")


async def _every_tool(supervisor: Supervisor, names: tuple[str, ...]) -> None:
    world, tools = supervisor.world, supervisor.result.tools
    if names and not supervisor.person:
        world.say("Nobody is there to start the tools: they are left out.")
    for number, name in enumerate(names, 1):
        if supervisor.person:
            world.say(f"Tool {number} of {len(names)}: {spoken(name)}")
        tools.append(await one_tool.exercise(supervisor, name))
        if supervisor.person:
            _say_remarks(world, tools[-1].remarks)


async def _every_press(supervisor: Supervisor, signals: Sequence[Signal], asked: Asked) -> None:
    """Stop contacts before anything moves; buttons in the end, for a reset's may end the hold for a moment."""
    world, presses = supervisor.world, supervisor.result.presses
    if not signals:
        return
    if asked.yes or not supervisor.person:
        why = "With --yes" if asked.yes else "Nobody is there:"
        names = ", ".join(dict.fromkeys(one_press.not_tried(each).whose for each in signals))
        world.say(f"{why} nobody is asked to press the {names}: not tried.")
        presses += map(one_press.not_tried, signals)
        return
    if not any(each.tried for each in presses):
        world.say(one_press.CAUTION)
    for signal in signals:
        if not supervisor.person:  # gone meanwhile
            presses.append(one_press.not_tried(signal))
            continue
        supervisor.pressing = True
        presses.append(await one_press.exercise(supervisor, signal))
        _say_remarks(world, presses[-1].remarks)
        await supervisor.go_on()


async def _ask(supervisor: Supervisor, asked: Asked) -> None:
    say, config = supervisor.world.say, supervisor.config
    moved = [name for name in asked.gates if config.gate[name].command is not None]
    if moved:
        names = ", ".join(map(spoken, moved))
        rounds = "once" if asked.rounds == 1 else f"up to {named(asked.rounds, 'time')}"
        say(f"{named(len(moved), 'gate')} will be told to open and to shut, {rounds} each: {names}.")
    if supervisor.result.with_daemon:
        say("The daemon puts the collector on hold: it stays off until somebody resets it.")
    else:
        say("No daemon is heard: the collector is switched off from here, and the gates are told from here.")
    say(CAUTIONS)
    if await supervisor.answer(BEGIN) != YES:
        raise BrokenOffError
    supervisor.refuse_if_unsafe()


async def _unheard(supervisor: Supervisor, asked: Asked) -> tuple[Remark, ...]:
    """Topics of the config on which nobody ever spoke; sensors that speak by the clock are given their time."""
    config = supervisor.config
    waits = [
        config.tool[one.name].silent_after
        for one in supervisor.observed.unheard()
        if one.kind == "tool" and one.key in SENSORS and one.name in asked.tools
    ]
    left = supervisor.began + min(LAST_LISTEN, max(waits, default=0.0)) - supervisor.world.now()
    if left > 0:
        supervisor.world.say(f"Listening for {left:.0f} s more to sensors that have not spoken yet.")
        await supervisor.wait(left)
    told = {(each.kind, each.name, each.key) for each in supervisor.result.presses if each.tried}
    unheard = [one for one in supervisor.observed.unheard() if (one.kind, one.name, one.key) not in told]
    return tuple(_of_unheard(supervisor, one) for one in unheard)


def _of_unheard(supervisor: Supervisor, one: Signal) -> Remark:
    whose = f"{one.kind} {spoken(one.name)}"
    why = supervisor.observed.unreadable.get((one.kind, one.name))
    if why is not None:
        return failed(f"{one.topic} ({whose}, {one.key}) says what cannot be read: {why}.")
    text = f"{one.topic} ({whose}, {one.key}) never spoke"
    match one.key:
        case "button" | "reset":
            return look(f"{text}: nobody pressed it?")
        case "current" | "power" | "running" if (
            one.kind == "tool" and supervisor.config.tool[one.name].silent_after == 0
        ):
            return look(f"{text}: it speaks on change only; start the tool once.")
        case "state" if one.kind == "collector":
            return look(f"{text}: its switch may speak on change only; retained reports would be better.")
        case key if key == "state" or key in SENSORS:
            return failed(f"{text}: look at the device's power, network and topic.")
        case _:
            return look(f"{text}: its state is not known.")
