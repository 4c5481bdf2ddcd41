"""What the daemon's statuses foretell, held against what comes when nothing else happens.

The rules' state is taken aside at a moment when the daemon has shown something, and a world of its own is played on
from it: each sensor goes on saying what it said last, gates and switches do what they are told and say so, nobody does
anything. All that the broker holds by then has to come true, to the second. This world shares nothing with the forecast
but `step`: it has readings, refreshes, answers and the daemon's own beat.
"""

import heapq
import itertools
import re
from collections import Counter
from collections.abc import Iterator, Mapping
from datetime import datetime
from math import inf

from gatehand.times import local_clock
from gatehand_rules import Outcome, Shop, State, commands, step
from gatehand_rules import events as ev
from gatehand_rules import state as st
from gatehand_rules.words import Position

WITHIN = 1.0
"""Seconds by which a forecast may be wrong."""
QUIET = 600.0
"""For how long a collector without `until` has to stay on."""
FAR = 7200.0
"""What is foretold for later is only looked at until `QUIET` has passed."""
BEAT = 20.0
"""Seconds between two looks of the daemon without a reason (its own: 1)."""
OVERDUE = 0.05
"""Seconds until it looks again at what is overdue."""
MOMENT = 0.02
"""Seconds until a device answers."""


class QuietWorld:
    """From `state` on nothing happens but what is due, and what devices that work have to say."""

    def __init__(self, shop: Shop, state: State, now: float) -> None:
        self.shop, self.state, self.now = shop, state, now
        self._order = itertools.count()
        self._calls: list[tuple[float, int, ev.Event]] = []
        self._gates_go(now)
        self._at(now + BEAT, ev.Tick())
        for fan, seen in zip(shop.collectors, state.collectors, strict=True):
            if seen.answer is not None and not seen.answer.tries:  # one that was told again in vain goes on so
                self._switch_says(fan.name, on=seen.answer.on)
        if state.standstill:
            self._at(now + MOMENT, ev.LoopCaughtUp())
        for at in shop.each_tool:
            self._sensor_says(at)

    def moments(self, end: float) -> Iterator[float]:
        """Each instant at which something came, until `end`."""
        while True:
            first = self._calls[0][0] if self._calls else inf
            wake = inf if self.state.wake_at is None else self.state.wake_at
            wake = self.now + OVERDUE if wake <= self.now else wake  # as the engine has it
            if min(first, wake) > end:
                return
            if wake <= first:
                self._step(wake, ev.Tick())
            else:
                at, _, event = heapq.heappop(self._calls)
                self._take(max(at, self.now), event)
            yield self.now

    def _take(self, now: float, event: ev.Event) -> None:
        """What a device says, or the daemon's beat; what repeats itself comes again."""
        if isinstance(event, ev.Reading):
            tool = self.shop.tool_at(event.tool)
            assert tool is not None
            if not self._would_bear_out(tool):
                self._step(now, event)
            self._sensor_says(tool, now)
        else:
            self._step(now, event)
        if isinstance(event, ev.Tick):
            self._at(now + BEAT, event)

    def _would_bear_out(self, at: int) -> bool:
        """A start of the tool waits to be confirmed after a silence: a second reading would be news."""
        seen, doubts = self.state.tools[at], self.state.doubts
        return isinstance(seen, st.ToolIdle | st.ToolRunOn) and seen.rise is not None and doubts[at] is not None

    def _step(self, now: float, event: ev.Event) -> None:
        outcome: Outcome = step(self.shop, self.state, event, now)
        self.now, self.state = now, outcome.state
        for command in outcome.commands:
            match command:
                case commands.OpenGate() | commands.ShutGate():
                    self._gates_go(now)
                case commands.CollectorOn(collector=name):
                    self._switch_says(name, on=True)
                case commands.CollectorOff(collector=name):
                    self._switch_says(name, on=False)
                case _:
                    pass

    def _at(self, when: float, event: ev.Event) -> None:
        heapq.heappush(self._calls, (when, next(self._order), event))

    def _gates_go(self, now: float) -> None:
        """Each gate that travels and reports arrives in its time."""
        for gate, seen in zip(self.shop.gates, self.state.gates, strict=True):
            if gate.reports and isinstance(seen.move, st.GateTravels):
                there = Position.OPEN if isinstance(seen.move, st.GateOpening) else Position.SHUT
                self._at(max(now + MOMENT, seen.move.since + gate.travel * 0.7), ev.GateReport(gate.name, there))

    def _switch_says(self, name: str, *, on: bool) -> None:
        at = self.shop.collector_at(name)
        assert at is not None
        fan = self.shop.collectors[at]
        if fan.reports:
            self._at(self.now + MOMENT, ev.CollectorReport(name, on))
        if fan.senses_motor:
            self._at(self.now + MOMENT, ev.CollectorReading(name, fan.turns_at * 3 if on else 0.0))

    def _sensor_says(self, at: int, said_at: float | None = None) -> None:
        """Its next reading: the same again."""
        tool, seen = self.shop.tools[at], self.state.tools[at]
        if not isinstance(seen, st.ToolSilent) and seen.value is not None and tool.silent_after > 0:
            due = (seen.heard_at if said_at is None else said_at) + tool.silent_after / 2.5
            self._at(max(self.now, due), ev.Reading(tool.name, seen.value))


class Told:
    """What the statuses foretell, as instants of the monotonic clock."""

    def __init__(self, shop: Shop, statuses: Mapping[tuple[str, str], Mapping[str, object]], ahead: float) -> None:
        """`ahead`: wall time less monotonic time. `statuses`: by kind and name."""
        self._shop, self._ahead = shop, ahead
        self._collectors = {name: each for (kind, name), each in statuses.items() if kind == "collector"}
        self._by_hand = [name for (kind, name), each in statuses.items() if kind == "gate" and each["hand"]]

        def instants(kind: str, key: str) -> dict[str, float | None]:
            of_kind = {name: each for (of, name), each in statuses.items() if of == kind}
            return {name: self._instant(each[key]) for name, each in of_kind.items()}

        self.until = instants("collector", "until")
        self.run_on_until = instants("collector", "run_on_until")
        self.still = instants("collector", "coast_down_until")
        self.run_ons = instants("tool", "run_on_ends")
        self.hands = instants("gate", "hand_ends")
        words = [(*subject, each["state"]) for subject, each in statuses.items() if subject[0] == "collector"]
        every = (self.until, self.run_on_until, self.still, self.run_ons, self.hands)
        self.key: tuple[object, ...] = (*words, *(tuple(each.items()) for each in every))

    def _instant(self, text: object) -> float | None:
        if text is None:
            return None
        assert isinstance(text, str)
        return datetime.fromisoformat(text).timestamp() - self._ahead

    def judge(self, state: State, now: float, told: Counter[str]) -> list[str]:
        """Play on from `state` at `now`, and say what did not come as it was foretold; `told` counts what was."""
        shop = self._shop
        fans = {each.name: at for each, at in zip(shop.collectors, shop.each_collector, strict=True)}
        on = {name for name, at in fans.items() if state.collectors[at].on_phase}
        foretold = {
            **{("until", name): at for name, at in self.until.items() if at is not None},
            **{("run_on_until", name): at for name, at in self.run_on_until.items() if at is not None},
            **{("coast_down_until", name): at for name, at in self.still.items() if at is not None},
            **{("run_on_ends", name): at for name, at in self.run_ons.items() if at is not None},
            **{("hand_ends", name): at for name, at in self.hands.items() if at is not None},
        }
        watched = {key: at for key, at in foretold.items() if at - now < FAR}
        stays = {("until", name) for name in on if ("until", name) not in watched}
        told.update(key for key, _ in watched)
        told.update(f"no {key}" for key, _ in stays)
        if not watched and not stays:
            return []
        world = QuietWorld(shop, state, now)
        came: dict[tuple[str, str], float] = {}
        end = max([now + QUIET] * bool(stays) + [at + 2 * WITHIN for at in watched.values()])
        for moment in itertools.chain([now], world.moments(end)):
            for key in (watched.keys() | stays) - came.keys():
                if self._has_come(key, world.state):
                    came[key] = moment
            if came.keys() >= watched.keys() | stays:
                break
        found = [f"{name}: a run-on is shown and is not served" for name in self._unserved(state, now)]
        found += [f"{name}: a hand start without an end" for name in self._by_hand if self.hands[name] is None]
        found += [f"{name}: its reasons disagree" for name in self._collectors if not self._agrees(name)]
        found += [f"{key} went off at {came[key]:.3f}, and no such thing was foretold" for key in stays & came.keys()]
        for key, at in watched.items():
            if abs(came.get(key, inf) - at) > WITHIN:
                found.append(f"{key} was foretold for {at:.3f} and came at {came.get(key, inf):.3f}")
        return found

    def _agrees(self, name: str) -> bool:
        """Whether a collector's reasons name one instant, and its end has a reason."""
        status, until = self._collectors[name], self.until[name]
        clock = re.search(r"until (\d\d:\d\d:\d\d)", str(status["because"]))
        if (until is None) is not (status["until_because"] is None):
            return False
        return clock is None or (until is not None and clock[1] == local_clock(round((until + self._ahead) * 1000)))

    def _unserved(self, state: State, now: float) -> Iterator[str]:
        """The tools with a run-on shown that carries nothing: their collector is off, or their gates are shut.

        One that an edit serves has its gate told at the next look.
        """
        state = step(self._shop, state, ev.Tick(), now).state
        for name in (name for name, at in self.run_ons.items() if at is not None):
            at, shop = self._shop.tool_at(name), self._shop
            if at is not None:
                fan = state.collectors[shop.fan_of(at)]
                own = [state.gates[i].move for i in shop.ways_of(at)[0]]
                shut = own and all(isinstance(each, st.GateShut | st.GateShutting) for each in own)
                if shut or not (fan.on_phase or isinstance(fan.phase, st.Opening)):
                    yield name

    def _has_come(self, key: tuple[str, str], state: State) -> bool:
        what, name = key
        shop = self._shop
        tool, gate, fan = shop.tool_at(name), shop.gate_at(name), shop.collector_at(name)
        if what == "run_on_ends" and tool is not None:
            each = state.tools[tool]
            return isinstance(each, st.ToolIdle | st.ToolUnknown) or (isinstance(each, st.ToolSilent) and each.let_go)
        if what == "hand_ends" and gate is not None:
            return state.gates[gate].hand is None
        if fan is None:
            return False
        seen = state.collectors[fan]
        if what == "coast_down_until":
            return not seen.on_phase and seen.still_at == -inf
        return not seen.on_phase
