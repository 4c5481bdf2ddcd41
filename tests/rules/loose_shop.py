"""A shop whose messages get lost, doubled, late and out of order, and whose time moves as it likes, under observation.

Every step is held against the observer's invariants and against what must be true of any step. What happened is kept
as a story, so that a failure can be added to tests/scenarios/ as it is.
"""

from msgspec.structs import replace
from story import written
from watcher import Times, blank, watch

from gatehand_rules import Outcome, Shop, initial, step
from gatehand_rules import events as ev
from gatehand_rules.commands import CollectorOff, CollectorOn, Command, OpenGate, ShutGate
from gatehand_rules.findings import Happened
from gatehand_rules.words import Position

_Stepped = type("Reading", (ev.Reading,), {"__doc__": "A reading that is never taken by the short way."})


class LooseShop:
    """The rules, the observer, and the messages on their way."""

    def __init__(self, shop: Shop) -> None:
        self.shop = shop
        self.now = 0.0
        self.state = initial(shop, 0.0)
        self.notes = blank(shop, Times())
        self.story: list[tuple[float, ev.Event]] = []
        self.on_their_way: list[ev.Event] = []
        self.plain = 0

    def hear(self, event: ev.Event) -> Outcome:
        """One step, checked in every way."""
        self.story.append((self.now, event))
        if isinstance(event, ev.Reading):
            self._compare_ways(event)
        before = self.state
        outcome = step(self.shop, before, event, self.now)
        self.state = outcome.state
        self.notes, breaches = watch(self.shop, self.notes, event, outcome.commands, self.now)
        vetoes = [one for one in outcome.findings if one.event is Happened.COMMAND_VETOED]
        self._must(not breaches, "; ".join(breaches))
        asked = isinstance(event, ev.HandAsked | ev.ResetAsked | ev.HoldAsked | ev.OffAsked)
        self._must(not asked or outcome.decided is not None, "whoever asks is answered")
        self._must(not vetoes, f"the interlock had to speak: {vetoes}")
        hash(outcome.state)  # a list inside would raise
        self._deadline_lies_ahead()
        if self.notes.connected:
            for command in outcome.commands:
                self._answer(command)
        return outcome

    def wait(self, seconds: float) -> None:
        """Time passes, with a tick at every deadline."""
        until = round(self.now + seconds, 3)
        while self.state.wake_at is not None and self.state.wake_at <= until:
            self.now = max(self.now, self.state.wake_at)
            self.hear(ev.Tick())
        self.now = until

    def oversleep(self, seconds: float) -> None:
        """Time passes and nobody ticks."""
        self.now = round(self.now + seconds, 3)

    def deliver(self, at: int, *, keep: bool = False) -> None:
        """One of the messages on their way arrives; kept, it will arrive again."""
        if self.on_their_way and self.notes.connected:
            at %= len(self.on_their_way)
            self.hear(self.on_their_way[at] if keep else self.on_their_way.pop(at))

    def lose(self, at: int) -> None:
        """One of the messages on their way is lost."""
        if self.on_their_way:
            self.on_their_way.pop(at % len(self.on_their_way))

    def _answer(self, command: Command) -> None:
        shop = self.shop
        at: int | None
        match command:
            case OpenGate(gate=name) | ShutGate(gate=name) if (at := shop.gate_at(name)) is not None:
                if shop.gates[at].reports:
                    where = Position.OPEN if isinstance(command, OpenGate) else Position.SHUT
                    self.on_their_way.append(ev.GateReport(name, where))
            case CollectorOn(collector=name) | CollectorOff(collector=name):
                at = shop.collector_at(name)
                on = isinstance(command, CollectorOn)
                if at is not None and shop.collectors[at].reports:
                    self.on_their_way.append(ev.CollectorReport(name, on))
                if at is not None and shop.collectors[at].senses_motor:
                    self.on_their_way.append(ev.CollectorReading(name, 6.0 if on else 0.0))
            case _:
                pass

    def _compare_ways(self, event: ev.Reading) -> None:
        """The short way of a reading that decides nothing comes to what the long way comes to."""
        short = step(self.shop, self.state, event, self.now)
        stepped = _Stepped(event.tool, event.value, event.retained, event.young)
        long = step(self.shop, self.state, stepped, self.now)
        self._must(short.commands == long.commands and short.findings == long.findings, "the short way decides")
        same = replace(short.state, wake_at=None) == replace(long.state, wake_at=None)
        self._must(same, f"the short way differs: {short.state} is not {long.state}")
        early, exact = short.state.wake_at, long.state.wake_at
        if exact is not None:
            self._must(early is not None and early <= exact, f"woken at {early}, wanted by {exact}")
        self.plain += short.state.wake_at is self.state.wake_at

    def _deadline_lies_ahead(self) -> None:
        """A deadline that is past, and that a tick does not move, would keep the shell's timer firing for ever."""
        state = self.state
        for _ in range(3):
            if state.wake_at is None or state.wake_at > self.now:
                return
            state = step(self.shop, state, ev.Tick(), self.now).state
        self._must(holds=False, said=f"the deadline {state.wake_at} stays behind {self.now}")

    def _must(self, holds: bool, said: str) -> None:
        if not holds:
            raise AssertionError(f"{said}\n\n{written(self.shop, self.story)}")
