"""`exercise --suction`: each gate alone, the fan running, and the suction that comes of it kept as the shop's baseline.

The daemon does all that moves anything: a hand start of each gate in turn, which it may refuse. It starts the fan once
and keeps it on from one gate to the next; nothing is told to a device from here. It takes the readings and keeps the
baselines too, since it alone writes its state.
"""

import os
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

from gatehand.commands import answer_in
from gatehand.config import Config
from gatehand.exercise.question import NO, YES, Question
from gatehand.exercise.results import WIDTH, Remark, failed, look
from gatehand.exercise.supervisor import HEARD_WITHIN, BrokenOffError, HaltedError, RefusedError, Supervisor
from gatehand.exercise.terminal_io import TerminalIo
from gatehand.journal.sentences import spoken
from gatehand.mqtt.client import ClientError
from gatehand.mqtt.inbox import Message
from gatehand.mqtt.transport import MessageKind, Outgoing
from gatehand.person import EndOfInput
from gatehand.screen.daemon_status import StatusMessage, printable
from gatehand.terminal import paragraph, wrapped
from gatehand.text import as_sentence, json_bytes, listed
from gatehand_rules import Rule

ANSWER_WITHIN: Final = 5.0
"""Seconds for the daemon's answer."""
OPENS_WITHIN: Final = 30.0
"""Seconds, beside its travel and the fan's spin-up, until the daemon shows a gate as the only one that is open."""
SETTLES_WITHIN: Final = 60.0
"""Seconds until the readings have settled."""
AGAIN_AFTER: Final = 3.0
LISTENS: Final = 12.0
"""Seconds of readings before the daemon is first asked to keep them."""
CAUTIONS: Final = """\
The fan will start and stay on while gates open and shut by themselves: hands, tools and hoses out of every gate.
Nobody may work at the collector, its bin or its filter, and no tool may be started.
What is measured counts as right from now on, so the filter must be clean, the bin empty, every hose on, every lid shut.
This is not a lockout: lock a machine out, at its plug or its breaker, before you reach into it."""
BEGIN: Final = Question("Is everybody clear, and is the filter clean? Type yes to begin", no=NO, skip=False)


@dataclass(frozen=True, slots=True)
class Taken:
    """What came of one set of gates."""

    gates: tuple[str, ...]
    suction: str
    """As the daemon words it: the value and what it lay between."""
    pascals: float | None
    ducts: str | None
    """What its ducts should give, as a clause, or why nobody can tell."""

    @property
    def words(self) -> str:
        """In a sentence."""
        return as_sentence(self.suction if self.ducts is None else f"{self.suction}; {self.ducts}")


@dataclass(slots=True)
class SuctionResult:
    """As it comes."""

    collector: str
    taken: list[Taken] = field(default_factory=list)
    remarks: list[Remark] = field(default_factory=list)
    stopped: str | None = None
    broken_off: bool = False
    left_on: list[str] = field(default_factory=list)
    """Gates whose hand start could not be ended: there is no daemon, or no broker, to do it."""

    @property
    def ok(self) -> bool:
        """All that was asked for was taken."""
        return bool(self.taken) and not self.remarks and self.stopped is None and not self.broken_off


def topics(config: Config) -> tuple[str, ...]:
    """What to listen to beside the shop."""
    return (f"{config.broker.base}/answer/+",)


def sets_of(config: Config, collector: str, more: Sequence[tuple[str, ...]]) -> list[tuple[str, ...]]:
    """Each of its gates alone, then the sets asked for."""
    own = [name for name in config.gate if config.gate_collector(name) == collector]
    return list(dict.fromkeys([*((gate,) for gate in own), *(tuple(sorted(each, key=own.index)) for each in more)]))


async def take(
    config: Config, world: TerminalIo, collector: str, sets: Sequence[tuple[str, ...]], *, yes: bool
) -> SuctionResult:
    """Do it all. Every hand start that was begun here is ended here, whatever ends it.

    Raises:
        RefusedError: nothing was begun and nothing moved.
        BrokenOffError: the person said no before anything moved.
    """
    walk = _Walk(config, world, collector)
    await walk.look_around()
    world.say(CAUTIONS)
    if not yes and await walk.supervisor.answer(BEGIN) != YES:
        raise BrokenOffError
    result = walk.result
    try:
        for number, gates in enumerate(sets, 1):
            world.say(f"{number} of {len(sets)}: {_said(gates)} open.")
            await walk.one_set(gates)
    except (HaltedError, ClientError) as halt:
        result.stopped = str(halt)
    except BrokenOffError:
        result.broken_off = True
    finally:
        await walk.end()
    return result


class _Walk:
    def __init__(self, config: Config, world: TerminalIo, collector: str) -> None:
        self.supervisor = Supervisor(config, world)
        self.result = SuctionResult(collector)
        self._config, self._world, self._name = config, world, collector
        self._on: list[str] = []
        """Gates whose hand start was begun here and not yet ended."""
        self._answers: dict[str, dict[str, Any]] = {}

    async def look_around(self) -> None:
        """Hear what the broker retains.

        Raises:
            RefusedError: it must not begin.
        """
        world, supervisor = self._world, self.supervisor
        until = world.now() + HEARD_WITHIN
        while world.now() < until:
            await self._hear(until)
        supervisor.result.with_daemon = supervisor.observed.daemon.online is True
        if not supervisor.result.with_daemon:
            raise RefusedError("no daemon is running, and it alone may start the fan for this: start it first")
        supervisor.refuse_if_unsafe()
        shown = self._shown()
        if shown is not None and shown.text("state") == "held":
            why = shown.text("held") or "no reason given"
            raise RefusedError(
                f"the collector {self._name} is on hold ({why}): gatehand reset {self._name}, then again"
            )
        if shown is None or shown.part("suction") is None:
            raise RefusedError(f"the daemon shows no suction for {self._name}: has it taken this config?")

    async def one_set(self, gates: tuple[str, ...]) -> None:
        """Have exactly these gates open, and what is read then kept."""
        self.supervisor.ask(None)
        if (why := self._cannot(gates)) is not None:
            self._remark(look(f"{_said(gates)} was left out: {why}."))
            return
        for gate in gates:
            if gate not in self._on and not await self._hand(gate, on=True):
                return
        for gate in [each for each in self._on if each not in gates]:
            await self._hand(gate, on=False)
        if not await self._is_open(gates):
            others = self._open_now()
            seen = (
                f"the daemon shows {_said(others)} open" if others else "the daemon does not show it running with them"
            )
            self._remark(failed(f"{_said(gates)}: {seen}, and nothing was taken"))
            return
        await self._keep(gates)

    async def end(self) -> None:
        """The hand starts are over; the daemon sees to the fan and the gates."""
        for gate in list(self._on):
            try:
                objection = await self._world.send(self._request(f"gate/{gate}/hand", "0", ""))
            except ClientError:
                objection = "the broker is gone"
            if objection is not None or self.supervisor.observed.daemon.online is not True:
                self.result.left_on.append(gate)
            self._on.remove(gate)

    # Inside

    def _cannot(self, gates: tuple[str, ...]) -> str | None:
        """Why the daemon would not open these alone."""
        most = self._config.collector[self._name].max_open
        by_hand = [gate for gate in gates if self._config.gate[gate].command is None]
        if by_hand:
            return f"gate {spoken(by_hand[0])} is moved by hand"
        if most is not None and len(gates) > most:
            return f"max_open = {most}"
        least = self._config.collector[self._name].min_open
        return f"min_open = {least}" if len(gates) < least else None

    async def _hand(self, gate: str, *, on: bool) -> bool:
        """Begin or end its hand start; whether the daemon agreed.

        Where no more than `max_open` may be open it begins as soon as the gate before it gives way, which is next.
        """
        if on:
            self._on.append(gate)  # also where its answer gets lost
        answer = await self._asked(f"gate/{gate}/hand", "1" if on else "0")
        gives_way = len(self._on) > 1 and answer is not None and answer.get("rule") == Rule.MAX_OPEN
        if answer is None or not (answer["ok"] or gives_way):
            why = "the daemon did not answer" if answer is None else printable(answer["text"])
            self._remark(failed(f"gate {spoken(gate)}: {why}"))
            return False
        if not on:
            self._on.remove(gate)
        return True

    async def _asked(self, topic: str, value: str) -> dict[str, Any] | None:
        """The daemon's answer to a request; None: there was none in time."""
        ask_id = os.urandom(8).hex()
        objection = await self._world.send(self._request(topic, value, ask_id))
        if objection is not None:
            raise HaltedError(objection)
        until = self._world.now() + ANSWER_WITHIN
        while ask_id not in self._answers and self._world.now() < until:
            await self._hear(until)
        return self._answers.pop(ask_id, None)

    def _request(self, topic: str, value: str, ask_id: str) -> Outgoing:
        body = {"value": value, "by": "exercise"} | ({"id": ask_id} if ask_id else {})
        kind = MessageKind.ACT if value == "1" else MessageKind.OFF
        return Outgoing(f"{self._config.broker.base}/{topic}", json_bytes(body), kind)

    async def _is_open(self, gates: tuple[str, ...]) -> bool:
        table = self._config.collector[self._name]
        travel = max(self._config.gate[gate].travel * (1 + self._config.gate[gate].retries) for gate in gates)
        until = self._world.now() + OPENS_WITHIN + travel + table.spin_up
        while sorted(self._open_now()) != sorted(gates):
            if self._world.now() >= until:
                return False
            await self._hear(until)
        return True

    async def _keep(self, gates: tuple[str, ...]) -> None:
        now = self._world.now
        until, again = now() + SETTLES_WITHIN, now() + LISTENS
        why = "no readings"
        while now() < until:
            while now() < again:
                await self._hear(again)
            if sorted(self._open_now()) != sorted(gates):
                self._remark(failed(f"{_said(gates)}: other gates opened or shut meanwhile"))
                return
            answer = await self._asked(f"collector/{self._name}/baseline", "1")
            if answer is not None and answer["ok"]:
                self._note(gates, answer)
                return
            why = "the daemon did not answer" if answer is None else printable(answer["text"])
            again = now() + AGAIN_AFTER
        self._remark(failed(f"{_said(gates)}: {why}"))

    def _note(self, gates: tuple[str, ...], answer: dict[str, Any]) -> None:
        pascals, say, silent = (answer.get(key) for key in ("pascals", "ducts_say", "no_ducts"))
        known = f"by its ducts {printable(say)} is expected" if isinstance(say, str) else None
        if known is None and isinstance(silent, str):
            known = f"its ducts give nothing to compare with: {printable(silent)}"
        text = printable(answer["text"])
        self.result.taken.append(Taken(gates, text, pascals if isinstance(pascals, int | float) else None, known))
        self._world.say(f"Kept: {self.result.taken[-1].words}")

    def _remark(self, remark: Remark) -> None:
        self.result.remarks.append(remark)
        self._world.say(remark.text)

    def _shown(self) -> StatusMessage | None:
        return self.supervisor.observed.daemon.collectors.get(self._name)

    def _open_now(self) -> tuple[str, ...]:
        """The gates that the daemon knows to be open with the fan running."""
        shown = self._shown()
        part = None if shown is None else shown.part("suction")
        return () if part is None else part.names("gates")

    async def _hear(self, until: float) -> None:
        """Take in what comes next.

        Raises:
            BrokenOffError: the person wants it ended.
            HaltedError: it must not go on.
        """
        supervisor, observed = self.supervisor, self.supervisor.observed
        happening = await self._world.next(until)
        match happening:
            case Message():
                observed.hear(happening)
                prefix = f"{self._config.broker.base}/answer/"
                if happening.topic.startswith(prefix) and (found := answer_in(happening.payload)) is not None:
                    self._answers[happening.topic.removeprefix(prefix)] = found
            case EndOfInput.INTERRUPTED:
                raise BrokenOffError
            case EndOfInput.NOBODY_THERE:
                supervisor.person = False
            case str() if Question("").understood(happening) == "quit":
                raise BrokenOffError
            case _:
                pass
        if not supervisor.result.with_daemon:
            return
        if observed.daemon.online is not True:
            raise HaltedError("the daemon has gone away")
        if stopped := supervisor.stopped():
            raise HaltedError(stopped[0])
        shown = self._shown()
        if shown is not None and self._on and shown.names("running"):
            raise HaltedError(f"{listed(map(spoken, shown.names('running')), last='and')} was started")


def _said(gates: Sequence[str]) -> str:
    return listed(map(spoken, gates), last="and")


def text(result: SuctionResult) -> str:
    """Everything that stands at the end."""
    return "\n".join(line for one in _lines(result) for line in wrapped(one, paragraph(WIDTH)))


def _lines(result: SuctionResult) -> Iterator[str]:
    for one in result.taken:
        yield one.words
    for remark in result.remarks:
        yield f"NOT TAKEN: {remark.text.rstrip('.')}."
    if result.stopped is not None:
        yield f"STOPPED: {result.stopped}."
    if result.broken_off:
        yield "Stopped early."
    if result.left_on:
        gates = _said(result.left_on)
        yield (
            f"The fan may still run: nobody could end the hand start of {gates}. Switch the collector off at its own "
            "switch, or with gatehand off."
        )
    elif result.stopped is not None:
        yield "The hand starts are ended; the daemon sees to the fan and the gates."
    else:
        yield "The hand starts are ended; the fan goes off, and the gates go where the daemon wants them."
    if result.taken:
        yield "What was taken is what the suction should be from now on; when you change the ducts, take it again."


def as_json(result: SuctionResult) -> dict[str, object]:
    """The same for programs."""
    taken = [
        {"gates": list(one.gates), "pascals": one.pascals, "suction": one.suction, "ducts": one.ducts}
        for one in result.taken
    ]
    remarks = [remark.text for remark in result.remarks]
    return {
        "ok": result.ok,
        "collector": result.collector,
        "taken": taken,
        "not_taken": remarks,
        "stopped": result.stopped,
        "broken_off": result.broken_off,
        "left_on": list(result.left_on),
    }
