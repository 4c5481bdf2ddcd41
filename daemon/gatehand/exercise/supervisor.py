"""Stands by while gates move: hears everything, and stops it all when the fan turns or somebody wants it stopped.

What must be so before anything moves, and while it does, is written here and nowhere else.
"""

from collections.abc import Iterator
from typing import Final

from gatehand.config import Config
from gatehand.exercise.observed_state import ObservedState
from gatehand.exercise.question import QUIT, SKIP, Question
from gatehand.exercise.results import Result
from gatehand.exercise.terminal_io import TerminalIo
from gatehand.measures import says
from gatehand.mqtt.inbox import Message
from gatehand.mqtt.transport import MessageKind, Outgoing
from gatehand.person import EndOfInput
from gatehand.shell.encode_commands import CommandEncoder
from gatehand.text import json_bytes
from gatehand_rules import events as ev
from gatehand_rules.commands import CollectorOff, CollectorOn, OpenGate, ShutGate
from gatehand_rules.words import EXERCISE, CollectorWord, Position

REASON: Final = EXERCISE
"""What the daemon is told as the reason of the hold."""
HEARD_WITHIN: Final = 1.5
"""Seconds for what the broker retains."""
_HELD_WITHIN: Final = 5.0
_PHASES: Final[dict[str, str]] = {
    CollectorWord.OPENING: "opening its gates",
    CollectorWord.SPIN_UP: "spinning up",
    CollectorWord.RUN_ON: "running on",
    CollectorWord.COAST_DOWN: "coasting down",
}
_STILL: Final = frozenset({CollectorWord.OFF, CollectorWord.HELD})


class HaltedError(Exception):
    """Something came up that forbids going on; the text says what."""


class RefusedError(Exception):
    """It was not begun; says why and what to do."""

    def __str__(self) -> str:
        text = super().__str__()
        return f"refused: {text}{'' if text.endswith('?') else '.'} Nothing was moved."


class BrokenOffError(Exception):
    """The person ended it. Out of `walk` it comes only before anything moved, and so it says."""

    def __str__(self) -> str:
        return "nothing was moved"


class Supervisor:
    """The config, the world and what was heard of it."""

    def __init__(self, config: Config, world: TerminalIo) -> None:
        self.config = config
        self.world = world
        self.began = world.now()
        self.observed = ObservedState(config, self.began)
        self.person = True
        """Whether somebody answers."""
        self.result = Result()
        self.heard_at = self.began
        """When the last message was received."""
        self.found: dict[str, Position] = {}
        """Where each gate stood before anything moved, as far as that is known."""
        self.moving: str | None = None
        """The gate that is being exercised."""
        self.objections: list[str] = []
        """What the broker had against its commands, as sentences."""
        self.runs: str | None = None
        """A collector that we have switched on ourselves."""
        self.pressing = False
        """A stop contact or a reset is being pressed by our own asking, and nothing moves."""
        self._question: Question | None = None
        """What is being asked."""
        self._encoder = CommandEncoder(config)
        self._guards = False

    async def next(self, until: float) -> tuple[ev.Event, ...] | str:
        """What devices said next (nothing when it is `until`), or a line of the person; "skip" where nobody is there.

        Raises:
            BrokenOffError: the person ended it.
            HaltedError: it must not go on.
        """
        happening = await self.world.next(until)
        match happening:
            case Message():
                self.heard_at = happening.received
                found = self.observed.hear(happening)
                if self._guards and (why := self._trouble()) is not None:
                    raise HaltedError(why)
                return found
            case EndOfInput.INTERRUPTED:
                raise BrokenOffError
            case EndOfInput.NOBODY_THERE:
                self.person = False
                return SKIP
            case None:
                return ()
            case str():
                return happening

    async def wait(self, seconds: float) -> None:
        """Let time pass, listening."""
        until = self.world.now() + seconds
        while self.world.now() < until:
            await self.next(until)

    def ask(self, question: Question | None) -> None:
        """Ask the person something; the answer comes from `reply` or `answer`. None: only quit is heard from now on."""
        self._question = question
        if question is not None:
            self.world.ask(question.asked)

    async def reply(self, until: float) -> tuple[ev.Event, ...] | str:
        """As `next`, but of what was typed only an answer that the question offers; any other is told so.

        Raises:
            BrokenOffError: the answer was to quit.
        """
        found = await self.next(until)
        if not isinstance(found, str) or not self.person:
            return found
        question = self._question or Question("")
        answer = question.understood(found)
        if answer == QUIT:
            raise BrokenOffError
        if self._question is None:
            return ()
        if answer is None:
            self.world.ask(question.again(found))
            return ()
        return answer

    async def answer(self, question: Question) -> str:
        """The person's answer to it; "skip" where nobody is there."""
        self.ask(question)
        while self.person:
            if isinstance(word := await self.reply(float("inf")), str):
                return word
        return SKIP

    async def look_around(self) -> None:
        """Hear what the broker retains, and refuse where the exercise must not begin.

        Raises:
            RefusedError: with every reason and what to do.
        """
        await self.wait(HEARD_WITHIN)
        self.result.with_daemon = self.observed.daemon.online is True
        self.refuse_if_unsafe()

    def refuse_if_unsafe(self) -> None:
        """Look whether it may begin now.

        Raises:
            RefusedError: with every reason and what to do.
        """
        if reasons := [*self._running_by_daemon(), *self._turning(), *self.stopped()]:
            raise RefusedError("; ".join(reasons))

    async def hold(self) -> None:
        """Keep every collector off: by the daemon's hold where there is one, else by telling each off ourselves.

        Raises:
            RefusedError: the daemon does not hold.
        """
        collectors, states = self.config.collector, self._states()
        self.result.held_before = tuple(name for name in collectors if states.get(name) == CollectorWord.HELD)
        if self.result.with_daemon:
            await self._ask_for_hold()
        else:
            await self._switch_off()
        self._guards = True
        if (why := self._trouble()) is not None:
            raise HaltedError(why)
        # One that was held already may have been switched off a moment ago.
        coasting = self.result.held_before if self.result.with_daemon else collectors
        if waits := max((collectors[name].coast_down for name in coasting), default=0.0):
            self.world.say(f"Waiting {waits:g} s: a fan may still be coasting down.")
            await self.wait(waits)

    async def _ask_for_hold(self) -> None:
        asked = tuple(name for name in self.config.collector if name not in self.result.held_before)
        for name in self.config.collector:
            await self.hold_on(name)
        if not await self._are_held(asked):
            topics = ", ".join(map(self._hold_topic, asked))
            raise RefusedError(
                f"the daemon did not hold within {_HELD_WITHIN:g} s; check whether this user may write {topics}, and "
                "whether the daemon has this config"
            )
        self.result.held = asked

    def _hold_topic(self, collector: str) -> str:
        return f"{self.config.broker.base}/collector/{collector}/hold"

    async def hold_on(self, collector: str) -> None:
        """Ask the daemon, if there is one, for a hold; a press of its reset that has begun counts no more then.

        Of one that it has, it learns who moves gates now.
        """
        await self._send_hold(collector, {"because": REASON, "by": EXERCISE})

    async def say_ended(self) -> None:
        """The hold goes on, but who moves a gate from now on is not the exercise."""
        for name, state in self._states().items():
            if name in self.config.collector and state == CollectorWord.HELD:
                await self._send_hold(name, {"because": REASON})

    async def _send_hold(self, collector: str, body: dict[str, str]) -> None:
        if self.result.with_daemon:
            await self.world.send(Outgoing(self._hold_topic(collector), json_bytes(body), MessageKind.OFF))

    async def _are_held(self, collectors: tuple[str, ...]) -> bool:
        until = self.world.now() + _HELD_WITHIN
        while any(self._states().get(name) != CollectorWord.HELD for name in collectors):
            if self.world.now() >= until:
                return False
            await self.next(until)
        return True

    async def go_on(self) -> None:
        """After a press: what it has done is over, or nothing goes on.

        Raises:
            HaltedError: a stop contact is active, or a collector is no longer held.
        """
        if self.result.with_daemon:
            await self._are_held((*self.result.held, *self.result.held_before))
        ours = tuple(name for name in self.result.held_before if self._hold_reason(name) == REASON)
        self.result.held += ours
        self.result.held_before = tuple(name for name in self.result.held_before if name not in ours)
        self.pressing = False
        if (why := self._trouble()) is not None:
            raise HaltedError(why)

    def _hold_reason(self, collector: str) -> str:
        shown = self.observed.daemon.collectors.get(collector)
        return "" if shown is None else shown.text("held")

    async def tell(self, gate: str, to: Position) -> None:
        """Command a gate."""
        await self._send(OpenGate(gate) if to is Position.OPEN else ShutGate(gate))

    async def switch(self, collector: str, *, on: bool) -> None:
        """Command a collector's switch. What must be so before an on, its caller sees to."""
        await self._send(CollectorOn(collector) if on else CollectorOff(collector))

    def stand_down(self) -> None:
        """From now on nothing that is heard stops what is done: it is being ended."""
        self._guards = False

    async def make_safe(self) -> str:
        """After a halt: air for a fan that turns, else the gate as it was found. Says what was done.

        Nothing moves while a stop contact is active: somebody's hand may be in a gate.
        """
        gate = self.moving
        self.stand_down()
        if self.stopped():
            return "" if gate is None else f"Gate {gate} was left where it is."
        turning = [*self._turning()]
        told_off = bool(turning) and not self.result.with_daemon
        if told_off:
            await self._switch_off()
        if gate is None:
            return "The collector was switched off." if told_off else ""
        to = Position.OPEN if turning else self.found.get(gate, Position.SHUT)
        await self.tell(gate, to)
        return f"Gate {gate} was told {to}{', to give the fan air' if turning else ', as it was found'}."

    async def _switch_off(self) -> None:
        for name in self.config.collector:
            await self._send(CollectorOff(name))

    async def _send(self, command: OpenGate | ShutGate | CollectorOn | CollectorOff) -> None:
        outgoing = self._encoder.message(command)
        if outgoing is not None and (objection := await self.world.send(outgoing)) is not None:
            self.objections.append(objection)

    def _states(self) -> dict[str, str]:
        """The daemon's word for each collector."""
        return self.observed.daemon.states("collector")

    # What forbids it

    def _trouble(self) -> str | None:
        """Why it must not go on, or None."""
        with_daemon = self.result.with_daemon
        if with_daemon is not (self.observed.daemon.online is True):
            return "the daemon has gone away" if with_daemon else "a daemon has come up"
        for name in (*self.result.held, *self.result.held_before) if with_daemon and not self.pressing else ():
            if (word := self._states().get(name)) != CollectorWord.HELD:
                return f"the collector {name} is no longer on hold (it is {word}): somebody has reset it"
        return next(iter((*self._turning(), *(() if self.pressing else self.stopped()))), None)

    def _running_by_daemon(self) -> Iterator[str]:
        for name in self.config.collector if self.result.with_daemon else ():
            word = self._states().get(name)
            if word is None:
                yield f"the daemon does not show the collector {name}; is it running with this config?"
            elif word not in _STILL:
                phase = _PHASES.get(word, word)
                yield f"the daemon is running the collector {name} (it is {phase}); wait until it is off"

    def _turning(self) -> Iterator[str]:
        for name, collector in self.config.collector.items():
            if name == self.runs:
                continue
            value = self.observed.fan_readings.get(name)
            if self.observed.fan_reports.get(name):
                yield f"the collector {name} turns: its switch reports on; switch it off first"
            elif value is not None and value >= collector.turns_at:
                yield f"the collector {name} turns: its motor {says(collector.measure, value)}; switch it off first"

    def stopped(self) -> list[str]:
        """Stop contacts that are active, each as a clause."""
        return [
            f"the stop contact {name} is active; fix the cause and release it first (if nobody has pressed it, its "
            f"words active and clear are swapped in [stop.{name}])"
            for name, active in self.observed.stops.items()
            if active
        ]
