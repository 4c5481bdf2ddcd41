"""Stands by while gates move: hears everything, and stops it all when the fan turns or somebody wants it stopped.

What must be so before anything moves, and while it does, is written here and nowhere else.
"""

from typing import Final

from gatehand.config import Config
from gatehand.exercise.bench import (
    Bench,
    BrokenOffError,
    HaltedError,
    Interrupted,
    Message,
    NobodyThere,
    RefusedError,
    Typed,
)
from gatehand.exercise.ears import Ears
from gatehand.mqtt.transport import Kind, Outgoing
from gatehand.shell.encode_commands import CommandEncoder
from gatehand_rules import events as ev
from gatehand_rules.commands import CollectorOff, OpenGate, ShutGate
from gatehand_rules.words import CollectorWord, Position

REASON: Final = "exercise"
"""What the daemon is told as the reason of the hold."""
HEARD_WITHIN: Final = 1.5
"""Seconds for what the broker retains."""
_HELD_WITHIN: Final = 5.0
_STILL: Final = frozenset({CollectorWord.OFF, CollectorWord.HELD})


class Attendant:
    """The config, the world and what was heard of it."""

    def __init__(self, config: Config, bench: Bench) -> None:
        self.config = config
        self.bench = bench
        self.ears = Ears(config)
        self.began = bench.now()
        self.person = True
        """Whether somebody answers."""
        self.held: tuple[str, ...] = ()
        """Collectors that were told to hold, and do."""
        self.held_before: tuple[str, ...] = ()
        self.with_daemon = False
        self.heard_at = self.began
        """When the last message was received."""
        self.moving: str | None = None
        """The gate that is being exercised."""
        self._told = CommandEncoder(config)
        self._guards = False

    async def next(self, until: float) -> tuple[ev.Event, ...] | Typed | NobodyThere | None:
        """What devices or the person said next; None when it is `until`.

        Raises:
            BrokenOffError: the person ended it.
            HaltedError: it must not go on.
        """
        happening = await self.bench.next(until)
        match happening:
            case Message():
                self.heard_at = happening.at
                found = self.ears.hear(happening)
                if self._guards and (why := self._trouble()) is not None:
                    raise HaltedError(why)
                return found
            case Interrupted():
                raise BrokenOffError
            case NobodyThere():
                self.person = False
                return happening
            case _:
                return happening

    async def wait(self, seconds: float) -> None:
        """Let time pass, listening."""
        until = self.bench.now() + seconds
        while self.bench.now() < until:
            await self.next(until)

    async def answer(self) -> str | None:
        """A line of the person; None: nobody is there.

        Raises:
            BrokenOffError: the line was "quit".
        """
        while self.person:
            if isinstance(said := await self.next(float("inf")), Typed):
                if is_quit(said.text):
                    raise BrokenOffError
                return said.text
        return None

    async def enter(self) -> bool:
        """Wait for Enter. False: "skip" was typed, or nobody is there."""
        answer = await self.answer()
        return answer is not None and not is_skip(answer)

    async def look_around(self) -> None:
        """Hear what the broker retains, and refuse where the exercise must not begin.

        Raises:
            RefusedError: with every reason and what to do.
        """
        await self.wait(HEARD_WITHIN)
        self.with_daemon = self.ears.daemon is True
        reasons = self.refusals()
        if reasons:
            raise RefusedError("; ".join(reasons))

    def refusals(self) -> list[str]:
        """Why it must not begin now."""
        return [*self._running_by_daemon(), *self._turning(), *self._stopped()]

    async def hold(self) -> None:
        """Keep every collector off: by the daemon's hold where there is one, else by telling each off ourselves.

        Raises:
            RefusedError: the daemon does not hold.
        """
        states = self.ears.collector_states
        self.held_before = tuple(name for name in self.config.collector if states.get(name) == CollectorWord.HELD)
        waits = 0.0
        if self.with_daemon:
            await self._ask_for_hold()
            for name in self.held_before:  # it may have been told off a moment ago
                waits = max(waits, self.config.collector[name].coast_down)
        else:
            for name, collector in self.config.collector.items():
                await self._send(self._told.message(CollectorOff(name)))
                waits = max(waits, collector.coast_down)
        self._guards = True
        if (why := self._trouble()) is not None:
            raise HaltedError(why)
        if waits:
            self.bench.say(f"Waiting {waits:g} s: a fan may still coast down.")
            await self.wait(waits)

    async def _ask_for_hold(self) -> None:
        base, states = self.config.broker.base, self.ears.collector_states
        asked = [name for name in self.config.collector if name not in self.held_before]
        for name in asked:
            await self._send(Outgoing(f"{base}/collector/{name}/hold", REASON.encode(), Kind.OFF))
        until = self.bench.now() + _HELD_WITHIN
        while any(states.get(name) != CollectorWord.HELD for name in asked):
            if self.bench.now() >= until:
                topics = ", ".join(f"{base}/collector/{name}/hold" for name in asked)
                raise RefusedError(
                    f"the daemon did not hold within {_HELD_WITHIN:g} s; look whether this user may write {topics}, "
                    "and whether the daemon has this config"
                )
            await self.next(until)
        self.held = tuple(asked)

    async def tell(self, gate: str, to: Position) -> str | None:
        """Command a gate; what the broker had against it, as a sentence."""
        return await self._send(self._told.message(OpenGate(gate) if to is Position.OPEN else ShutGate(gate)))

    async def make_safe(self, found: dict[str, Position]) -> str:
        """After a halt: air for a fan that turns, else the gate as it was found. Says what was done.

        Nothing moves while a stop contact is active: somebody's hand may be in a gate.
        """
        gate, self._guards = self.moving, False
        if self._stopped():
            return "" if gate is None else f"Gate {gate} was left where it is."
        turning = self._turning()
        if turning and not self.with_daemon:
            for name in self.config.collector:
                await self._send(self._told.message(CollectorOff(name)))
        if gate is None:
            return "The collector was told off." if turning and not self.with_daemon else ""
        to = Position.OPEN if turning else found.get(gate, Position.SHUT)
        await self.tell(gate, to)
        return f"Gate {gate} was told {to}{', to give the fan air' if turning else ', as it was found'}."

    async def _send(self, outgoing: Outgoing | None) -> str | None:
        return None if outgoing is None else await self.bench.send(outgoing)

    # What forbids it

    def _trouble(self) -> str | None:
        """Why it must not go on, or None."""
        if self.with_daemon and self.ears.daemon is not True:
            return "the daemon has gone away"
        if not self.with_daemon and self.ears.daemon is True:
            return "a daemon has come up"
        for name in (*self.held, *self.held_before) if self.with_daemon else ():
            word = self.ears.collector_states.get(name)
            if word != CollectorWord.HELD:
                return f"the collector {name} is no longer held (it is {word}): somebody has reset it"
        return next(iter((*self._turning(), *self._stopped())), None)

    def _running_by_daemon(self) -> list[str]:
        if not self.with_daemon:
            return []
        found = []
        for name in self.config.collector:
            word = self.ears.collector_states.get(name)
            if word is None:
                found.append(f"the daemon says nothing of the collector {name}; does it run with this config?")
            elif word not in _STILL:
                found.append(f"the daemon works the collector {name} (it is {word}); wait until it is off")
        return found

    def _turning(self) -> list[str]:
        found = []
        for name, fan in self.ears.fans.items():
            running_amps = self.config.collector[name].running_amps
            if fan.reported_on:
                found.append(f"the collector {name} turns: its switch reports on; switch it off first")
            elif fan.amps is not None and fan.amps >= running_amps:
                found.append(f"the collector {name} turns: its motor draws {fan.amps:g} A; switch it off first")
        return found

    def _stopped(self) -> list[str]:
        return [
            f"the stop contact {name} is active; see to the cause and release it first"
            for name, active in self.ears.stops.items()
            if active
        ]


def is_skip(text: str) -> bool:
    """Whether the person typed "skip"."""
    return text.strip().lower() in {"s", "skip"}


def is_quit(text: str) -> bool:
    """Whether the person typed "quit"."""
    return text.strip().lower() in {"q", "quit", "end"}
