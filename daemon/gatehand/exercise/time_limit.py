"""Whether a collector's switch goes off by itself: a gate proven open, the fan switched on once, and never again.

That limit is what ends a fan whose daemon, computer or network has died. The fan turns here without the rules around
it, so their invariants are kept by hand, each in one place: it is switched on only once `min_open` of its gates are
proven open (`run`) and off when one no longer is (`_watch`), off comes first whatever ends the test (`end`), and no
gate is told shut before the fan's coast-down is over (`_put_back`).
"""

from collections.abc import Sequence
from typing import Final

from gatehand.config import Config
from gatehand.exercise.fan_seen import FanSeen
from gatehand.exercise.limit_result import REFRESHES, LimitResult, SeenBy, judge
from gatehand.exercise.one_gate import move, reports, where_found
from gatehand.exercise.question import SKIP, YES, Question
from gatehand.exercise.results import failed
from gatehand.exercise.supervisor import BrokenOffError, HaltedError, RefusedError, Supervisor
from gatehand.exercise.terminal_io import TerminalIo
from gatehand.exercise.walk import BEGIN
from gatehand.journal.sentences import spoken
from gatehand.mqtt.client import ClientError
from gatehand.shell.encode_commands import CommandEncoder
from gatehand.text import listed
from gatehand_rules.timing import Timing
from gatehand_rules.words import Position

SEEN_WITHIN: Final = 10.0
"""Seconds after the on in which the switch or the motor must show it, and after the one the other must follow."""
BROKER_BACK_WITHIN: Final = 30.0
"""Seconds for which off is brought to a broker that has gone."""
_GOES_OFF: Final = "the moment that the fan goes off by itself"
_ANSWER: Final = Timing().answer
_TELLINGS: Final = Timing().tellings
_CONTRARY: Final = Timing().contrary


async def measure(config: Config, world: TerminalIo, collector: str, *, yes: bool, held: str | None) -> LimitResult:
    """Do it all. The fan is switched off in every case in which it may be on.

    Args:
        config: with a `refresh` that is not 0 for this collector.
        world: a connection, a person.
        collector: the one whose switch is tried.
        yes: the question has been answered already.
        held: why the daemon's own notes on this machine have it held; None: they do not.

    Raises:
        RefusedError: nothing was begun and nothing moved.
        BrokenOffError: the person said no before anything moved.
    """
    supervisor = Supervisor(config, world)
    await supervisor.look_around()
    if reasons := _forbidden(supervisor, collector, held):
        raise RefusedError("; ".join(reasons))
    test = _Test(supervisor, collector)
    await test.ask(yes=yes)
    result = test.result
    try:
        await supervisor.hold()
        await test.run()
    except HaltedError as halt:
        result.stopped = str(halt)
    except BrokenOffError:
        result.broken_off = True
    except ClientError as error:
        result.stopped = str(error)
    except BaseException:  # a mistake of ours must not leave a fan on either
        await test.end()
        raise
    result.made_safe = await test.end()
    return result


def _forbidden(supervisor: Supervisor, name: str, held: str | None) -> Sequence[str]:
    """Why the fan must not be started by this test."""
    observed, reasons = supervisor.observed, []
    if supervisor.result.with_daemon:
        reasons.append(
            "the daemon is running and would switch the fan off: stop it for this test (sudo systemctl stop "
            "gatehand, where "
            "it is a service) and start it again afterwards"
        )
    shown = observed.daemon.collectors.get(name)
    is_held = shown is not None and shown.text("state") == "held"
    if held is not None or is_held:
        why = held or (shown.text("held") if shown is not None else "") or "no reason given"
        reasons.append(
            f"the collector {name} is on hold ({why}), and a hold outlives the daemon: fix the cause, start the "
            f"daemon, gatehand reset {name}, stop it again"
        )
    if observed.bins.get(name) and supervisor.config.collector[name].on_bin_full == "refuse":
        reasons.append(f"the bin of {name} is full: lock the collector out and empty it")
    return reasons


class _Test:
    """One test, from the question to the gates' way back."""

    def __init__(self, supervisor: Supervisor, name: str) -> None:
        config = supervisor.config
        self._supervisor = supervisor
        self._name = name
        self._table = table = config.collector[name]
        self.result = LimitResult(name, table.refresh)
        own = [gate for gate in config.gate if config.gate_collector(gate) == name]
        # A fan without gates has a hose; where there are gates, one is opened though none need be.
        self._needed = max(table.min_open, 1 if own else 0)
        self._gates = sorted(own, key=self._how_badly_proven)[: self._needed]
        self._told: list[str] = []
        """Gates that were told to move and not yet told back."""
        self._lost: str | None = None
        """A gate that was no longer open while the fan turned."""
        self._found: dict[str, Position] = {}
        self._fan = FanSeen(name, table)
        self._is_on = False
        """It was switched on, and is not known to be off again."""
        self._is_told_off = False
        """As often as is any use."""
        self._began = self._off_at = 0.0

    def _how_badly_proven(self, gate: str) -> int:
        table = self._supervisor.config.gate[gate]
        return (0 if table.state is not None else 1) if table.command is not None else 2

    async def ask(self, *, yes: bool) -> None:
        """Say what will happen and what is dangerous about it, also where nobody is asked."""
        supervisor, name, within = self._supervisor, self._name, self.result.within
        gates = f"Opened first: {listed(map(spoken, self._gates), last='and')}. " if self._gates else ""
        supervisor.world.say(
            f'{gates}Then the fan of {name} is switched on, once, and the "on" is not repeated: its switch must go off '
            f"by itself within {within:g} s ({REFRESHES:g} x refresh). If it does not, it is switched off from here.\n"
            "If this program or this computer is killed meanwhile, or the network fails, nothing but the switch's own "
            "limit ends the fan, and that is what is being tried: stay at the collector's own switch.\n"
            "Keep everybody away from the fan, its bin, its filter and its gates; the test costs the motor one start. "
            "This is not a lockout."
        )
        if not yes and await supervisor.answer(BEGIN) != YES:
            raise BrokenOffError
        supervisor.refuse_if_unsafe()
        if not self._fan.is_watched and (yes or not supervisor.person):
            raise RefusedError(
                f"the collector {name} has neither state nor a sensor on its motor, so somebody has to watch it: "
                "try it at a terminal, without --yes"
            )

    async def run(self) -> None:
        """Gates, on, what becomes of it, and the gates' way back.

        Raises:
            HaltedError: it must not go on.
        """
        supervisor, result = self._supervisor, self.result
        self._found = where_found(supervisor)
        for gate in self._gates:
            supervisor.world.say(f"Opening gate {spoken(gate)}.")
            if not await self._is_opened(gate):
                raise HaltedError(
                    f"gate {spoken(gate)} could not be proven open, so the fan was not started: look at it with "
                    f"gatehand exercise {gate}"
                )
            result.gates += (gate,)
        self._look_at_gates()
        if await self._is_switched_on():
            await self._watch(self._began + result.within)
            odd = self._fan.odd(self._began) if self._is_on else ""
            result.remarks += [failed(odd)] if odd else judge(result)
        if self._is_on and not await self._off():
            raise HaltedError(f'the fan of {self._name} was not seen to stop after the "off"')
        await self._put_back()

    # Gates

    async def _is_opened(self, gate: str) -> bool:
        """Whether it is proven open: by a live report after our telling, or by its travel."""
        supervisor, table = self._supervisor, self._supervisor.config.gate[gate]
        if table.command is None:
            return await self._is_opened_by_hand(gate)
        self._told.append(gate)
        if table.state is None:
            await supervisor.tell(gate, Position.OPEN)
            await supervisor.wait(table.travel)
            return True
        if supervisor.observed.gates.get(gate) is not Position.SHUT:
            # One that is open already, and speaks only on change, would say nothing.
            await move(supervisor, gate, Position.SHUT, max(1.0, table.travel))
        for _ in range(1 + table.retries):
            if (await move(supervisor, gate, Position.OPEN, max(1.0, table.travel))).took is not None:
                return True
        return False

    async def _is_opened_by_hand(self, gate: str) -> bool:
        supervisor = self._supervisor
        supervisor.ask(Question(f"Gate {spoken(gate)} is moved by hand: shut it and open it once", "when done"))
        until = float("inf")
        while supervisor.person and supervisor.world.now() < until:
            found = await supervisor.reply(until)
            if found == SKIP:
                return False
            if isinstance(found, str):
                until = supervisor.world.now() + _ANSWER
            elif any(one.gate == gate and one.position is Position.OPEN for one in reports(found)):
                return True
        return False

    def _look_at_gates(self) -> None:
        """As often as anything was heard: what was proven open must be open still."""
        for gate in self.result.gates:
            reported = self._supervisor.observed.gates.get(gate)
            if reported is not None and reported is not Position.OPEN:
                self._lost = gate
                raise HaltedError(f"gate {spoken(gate)} is no longer open")

    # The fan

    async def _is_switched_on(self) -> bool:
        """Switch it on, once; whether it is seen to be on."""
        supervisor, world = self._supervisor, self._supervisor.world
        supervisor.runs, supervisor.objections = self._name, []
        self._began, self._is_on, self.result.was_on = world.now(), True, True
        await supervisor.switch(self._name, on=True)
        if not self._fan.is_watched:
            supervisor.ask(Question("Switched on; quit switches it off at once", _GOES_OFF, skip=False))
            return True
        supervisor.ask(None)
        until = self._began + SEEN_WITHIN
        while not self._fan.showed and world.now() < until:
            await self._hear(until)
        if self._fan.showed:
            world.say(f'It runs. The "on" is not repeated now; {self.result.within:g} s at most.')
            return True
        against = "".join(f" {each}." for each in supervisor.objections)
        self.result.remarks.append(
            failed(
                f"It was switched on, and nothing showed within {SEEN_WITHIN:g} s that it turns.{against} Look at its "
                "switch, its breaker, and the topics of its state and its motor's sensor."
            )
        )
        return False

    async def _hear(self, until: float) -> bool:
        """Take in what comes next; whether the person typed a line meanwhile.

        Raises:
            HaltedError: a gate is no longer open, nobody watches any more, or the supervisor forbids going on.
        """
        supervisor = self._supervisor
        found = await supervisor.reply(until)
        if not isinstance(found, str):
            self._fan.hear(found, supervisor.heard_at)
        self._look_at_gates()
        if not self._fan.is_watched and not supervisor.person:
            raise HaltedError("nobody is there any more to see whether the fan turns")
        return isinstance(found, str) and found != SKIP

    async def _watch(self, until: float) -> None:
        """Wait until it is off by itself; not beyond `until`, but for what is being said just then."""
        now = self._supervisor.world.now
        while True:
            off, switch_off = self._fan.off_since(), self._fan.switch_off_since()
            if off is not None:
                due = off[0] + _CONTRARY  # one word proves no change: it has to stand for a moment
            else:
                due = until if switch_off is None else max(until, switch_off + SEEN_WITHIN)
            if now() >= due:
                break
            if await self._hear(due) and not self._fan.is_watched:
                off = now(), SeenBy.EYE
                break
        if off is None:
            return
        at, by = off
        self._note_off(at)
        self.result.limit, self.result.seen_by = round(at - self._began, 2), by
        self.result.last_on = round(self._fan.last_drew - self._began, 2) if by is SeenBy.MOTOR else None

    def _note_off(self, at: float) -> None:
        self._is_on, self._off_at, self._supervisor.runs = False, at, None

    async def _off(self) -> bool:
        """Tell it off until it is seen off; whether it was. The first telling leaves before anything else is done."""
        supervisor, now = self._supervisor, self._supervisor.world.now
        for _ in range(_TELLINGS):
            await supervisor.switch(self._name, on=False)
            until = now() + _ANSWER
            while self._fan.is_watched and now() < until and not self._fan.is_off:
                found = await supervisor.next(until)
                self._fan.hear(() if isinstance(found, str) else found, supervisor.heard_at)
            if self._fan.is_off or not self._fan.is_watched:
                self._note_off(now())
                return True
        self._is_told_off = True
        return False

    # The end

    async def _put_back(self) -> None:
        """The gates as they were found, once the fan stands still."""
        supervisor = self._supervisor
        if self.result.was_on:
            left = self._off_at + self._table.coast_down - supervisor.world.now()
            if left > 0:
                supervisor.world.say(f"Waiting {left:.0f} s: the fan coasts down, and its gates stay open.")
                await supervisor.wait(left)
        while self._told:
            gate = self._told.pop()
            await supervisor.tell(gate, self._found.get(gate, Position.SHUT))

    async def end(self) -> str:
        """Off first, where it may be on; then what becomes of the gates. Says what was done."""
        supervisor, name = self._supervisor, self._name
        by_hand = f"switch the collector {name} off at its own switch or its breaker"
        said: list[str] = []
        supervisor.stand_down()
        try:
            if self._is_on:
                said.append(f"The collector {name} was switched off.")
                if self._is_told_off or not await self._off():
                    said.append(f"It was not seen to go off: {by_hand}.")
            await self._leave_gates(said)
        except BrokenOffError:
            said.append("Nothing more was waited for.")
        except ClientError:
            said.clear()
            if self._is_on:
                why = await supervisor.world.send_anew(CommandEncoder(supervisor.config).off[name], BROKER_BACK_WITHIN)
                missed = f"Off could not be sent ({why}), and only a time limit of its own ends the fan: {by_hand}."
                said.append(f"Off was sent to {name} over a new connection." if why is None else missed)
            said.append("Gates were left as they are.")
        return " ".join(said)

    async def _leave_gates(self, said: list[str]) -> None:
        """After an end before its time: nothing moves towards a hand, and nothing shuts before the fan has coasted."""
        supervisor = self._supervisor
        is_stopped = bool(supervisor.stopped())
        if self._lost in self._told and not is_stopped and self.result.was_on:
            await supervisor.tell(self._lost, Position.OPEN)
            said.append(f"Gate {spoken(self._lost)} was told to open, to give the fan air.")
        elif self._told and not is_stopped and not self.result.was_on:
            await self._put_back()
            said.append("Gates were told to go back where they were found.")
        elif self._told:
            coasts = ": the fan coasts down" if self.result.was_on else ""
            said.append(f"Gate {listed(map(spoken, self._told), last='and')} was left as it is{coasts}.")
