"""When two situations are one: times relative to now, ages beyond which nothing changes any more counted as one.

The walk over all situations is finite only because of this. A field that no rule decides by (a current shown in a
finding, the instant a rise began) is left out; the table names every field of every record, so a new one fails.
"""

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from math import inf
from typing import TYPE_CHECKING, Any

from msgspec.structs import replace
from watcher import FanNotes, GateNotes, Notes, Times, ToolNotes

from gatehand_rules import Shop, State
from gatehand_rules import state as st
from gatehand_rules.timing import GuardTiming
from gatehand_rules.words import Position

if TYPE_CHECKING:
    from msgspec import Struct

Key = tuple[object, ...]
_LATE = 3.0
_NEVER = 1e6


@dataclass(frozen=True, slots=True)
class Age:
    """A past instant: its age, up to a bound beyond which it no longer matters."""

    bound: float


@dataclass(frozen=True, slots=True)
class Above:
    """A current: only on which side of a bound it lies."""

    bound: float


@dataclass(frozen=True, slots=True)
class Most:
    """A count that matters up to a bound."""

    bound: int


KEEP = "keep"
DROP = "drop"
AHEAD = "ahead"
DEEP = "deep"
SIGN = "sign"


class Canonical:
    """Makes the key of a situation of one shop. `losing`: the broker may be lost, so that each telling's age counts."""

    def __init__(self, shop: Shop, times: Times, *, losing: bool = False) -> None:
        timing, guard = shop.timing, shop.guard_timing
        self._losing = losing
        self._remembered: dict[int, tuple[object, object]] = {}
        self._remembered_at = -inf
        travel = max((gate.travel for gate in shop.gates), default=0.0)
        window = max((gate.travel * (1 + gate.retries) for gate in shop.gates), default=0.0)
        run_on = max((tool.run_on for tool in shop.tools), default=0.0)
        stop_after = max((tool.stop_after for tool in shop.tools), default=0.0)
        start_after = max((tool.start_after for tool in shop.tools), default=0.0)
        silent = max((tool.silent_after for tool in shop.tools), default=0.0)
        hand = max((gate.hand_limit for gate in shop.gates), default=0.0)
        coast = max(collector.coast_down for collector in shop.collectors)
        spin = max(collector.spin_up for collector in shop.collectors)
        refresh = max(collector.refresh for collector in shop.collectors)
        answer = max(timing.answer, timing.remind, coast, spin)
        limited = any(collector.max_open is not None for collector in shop.collectors)
        heard = {"value": Above(min((tool.stop_at for tool in shop.tools), default=0.0)), "heard_at": Age(silent)}
        lost = Age(_LATE) if losing else DROP
        seen = any(collector.reports or collector.senses_motor for collector in shop.collectors)
        table: dict[type[Struct], dict[str, object]] = {
            st.SubthresholdRise: {"since": DROP, "peak": DROP, "above_since": Age(start_after), "longest": SIGN},
            st.ToolUnknown: heard,
            st.ToolIdle: heard | {"rise": DEEP},
            st.ToolRunning: heard
            | {
                "since": Age(timing.contrary) if seen and timing.contrary else DROP,
                "freshness": KEEP,
                "low_since": Age(stop_after),
            },
            st.ToolRunOn: heard | {"since": Age(run_on), "freshness": KEEP, "rise": DEEP},
            st.ToolMuted: heard,
            st.ToolSilent: {"was": DEEP, "since": Age(run_on), "let_go": KEEP},
            st.GateUnknown: {"from_shut": KEEP, "shutting": KEEP, "unheard": KEEP, "kept": lost},
            st.GateShut: {"since": lost},
            st.GateOpening: {"since": Age(travel), "first": DROP, "tries": KEEP, "said_shut": KEEP},
            st.GateOpen: {"since": lost},
            st.GateShutting: {"since": Age(travel), "first": DROP, "tries": KEEP, "then_open": KEEP, "unheard": KEEP},
            st.GateFault: {"wanted": KEEP, "first": DROP},
            st.Hand: {"since": Age(hand), "by_opening": KEEP, "kept": KEEP},
            st.GateState: {
                "move": DEEP,
                "reported": KEEP,
                "live": KEEP,
                "roused": KEEP,
                "says": KEEP,
                "hand": DEEP,
                "pressed_at": Age(1.0),
            },
            st.ResetSeen: {
                "released": KEEP,
                "pressed_at": Age(timing.reset_longest + 1.0),
                "asked_at": Age(timing.reset_alone),
                "refused": DROP,
                "refused_at": DROP,
                "more": DROP,
            },
            st.Off: {},
            st.Opening: {"since": DROP, "adopting": KEEP, "until": AHEAD, "unheard": KEEP},
            st.SpinUp: {"since": Age(spin)},
            st.Running: {},
            st.RunOn: {"why": KEEP},
            st.CoastDown: {"tripped": KEEP},
            st.Held: {"why": DROP, "by": DROP},
            st.Answer: {"on": KEEP, "since": Age(answer), "tries": Most(timing.tellings), "stood": KEEP}
            if answer < _NEVER
            else {"on": KEEP, "since": DROP, "tries": DROP, "stood": KEEP},
            st.Contrary: {"since": Age(timing.contrary), "shows": KEEP},
            st.CollectorState: {
                "phase": DEEP,
                "still_at": AHEAD,
                "reported_on": KEEP,
                "report_live": KEEP,
                "drawing": KEEP,
                "reported_at": DROP,
                "motor": DROP,
                "told_at": DROP,
                "answer": DEEP,
                "confirmed": KEEP,
                "told_on_at": Age(max(refresh, _LATE if losing else 0.0)),
                "by_hand": KEEP,
                "found_on": KEEP,
                "contrary": DEEP,
                "grace_until": AHEAD,
                "starts": DROP,
                "started_at": lost,
                "last_gate": DROP if any(gate.relief for gate in shop.gates) and len(shop.gates) == 2 else KEEP,
                "bin_full": KEEP,
                "reset": DEEP,
            },
            ToolNotes: {
                "low": KEEP,
                "low_at": Age(run_on + stop_after + 1),
                "rose": KEEP,
                "heard_at": Age(silent),
                "gone": KEEP,
                "borne_out": KEEP,
                "below_at": Age(times.apart),
                "above_at": Age(times.believed),
            },
            st.Doubt: {"low_at": Age(timing.apart), "high_at": Age(timing.unchallenged)},
        }
        self._parts: dict[type, Callable[[Any, float], object]] = {
            st.GateSeen: partial(_gate_seen, window, limited=limited),
            st.FanSeen: partial(_fan_seen, guard, max(coast, _LATE if losing else 0.0)),
            GateNotes: partial(_gate_notes, window, hand + 1, limited=limited),
            FanNotes: partial(_fan_notes, times, (coast, refresh, _LATE if losing else 0.0)),
        }
        for kind, policies in table.items():
            missing = set(kind.__struct_fields__) ^ set(policies)
            if missing:
                raise TypeError(f"{kind.__name__}: say how {sorted(missing)} count")
            self._parts[kind] = self._maker(kind, policies)

    def _maker(self, kind: type, policies: dict[str, object]) -> Callable[[Any, float], object]:
        """One function for one record, written out as source: the walk calls it millions of times."""
        parts = [repr(kind.__name__)]
        for name, policy in policies.items():
            match policy:
                case "keep":
                    parts.append(f"it.{name}")
                case "deep":
                    parts.append(f"deep(it.{name}, now)")
                case "ahead":
                    parts.append(f"ahead(it.{name}, now)")
                case "sign":
                    parts.append(f"it.{name} >= 0")
                case Above(bound=bound):
                    parts.append(f"it.{name} is not None and it.{name} >= {bound!r}")
                case Most(bound=bound):
                    parts.append(f"min(it.{name}, {bound!r})")
                case Age(bound=bound):
                    parts.append(f"age(it.{name}, now, {bound!r})")
                case _:
                    pass
        scope: dict[str, Any] = {"deep": self._deep, "ahead": _ahead, "age": _age}
        made: Callable[[Any, float], object] = eval(  # noqa: S307 - our own words, above
            f"lambda it, now: ({', '.join(parts)},)", scope
        )
        return made

    def _deep(self, value: object, now: float) -> object:
        return None if value is None else self._parts[type(value)](value, now)

    def _kept(self, value: object, now: float) -> object:
        """The same, remembered: from one situation to the next most records are the very same."""
        if self._remembered_at != now:
            self._remembered.clear()
            self._remembered_at = now
        found = self._remembered.get(id(value))
        if found is None or found[0] is not value:
            found = (value, self._parts[type(value)](value, now))
            self._remembered[id(value)] = found
        return found[1]

    def key(self, state: State, notes: Notes, now: float) -> Key:
        """The situation's key: the rules' state and the observer's notes, relative to `now`."""
        deep = self._kept
        guard = state.guard
        ranks = sorted(
            (tool.since, i) for i, tool in enumerate(state.tools) if isinstance(tool, st.ToolRunning | st.ToolRunOn)
        )
        return (
            tuple(deep(one, now) for one in state.tools),
            tuple(self._deep(one, now) for one in state.doubts),
            tuple(deep(one, now) for one in state.gates),
            tuple(deep(one, now) for one in state.collectors),
            state.stops,
            tuple(i for _, i in ranks),
            tuple(deep(one, now) for one in guard.gates),
            tuple(deep(one, now) for one in guard.fans),
            self._rest_of_guard(guard, now),
            state.connected,
            _ahead(state.settle_at, now),
            state.adopted,
            state.stopping,
            tuple(deep(one, now) for one in notes.gates),
            tuple(one.hand_at >= notes.connected_at for one in notes.gates),
            tuple(deep(one, now) for one in notes.fans),
            tuple(self._deep(one if one.rose else replace(one, low_at=None), now) for one in notes.tools),
            tuple(one.heard_at >= notes.connected_at for one in notes.tools),
            notes.connected,
            notes.stopping,
            _age(notes.connected_at, now, 1.0),
            _age(notes.heard_at, now, 1.0) if self._losing else None,
        )

    def _rest_of_guard(self, guard: st.Guard, now: float) -> object:
        return (guard.low, guard.stops, _ahead(guard.watching_from, now), guard.over)


def _gate_seen(window: float, seen: st.GateSeen, now: float, *, limited: bool) -> Key:
    """The interlock's record of a gate, without what its present command makes meaningless."""
    told_open, left = seen.told is Position.OPEN, seen.left and seen.told is Position.SHUT
    return (
        seen.told,
        _age(seen.told_at, now, window) if told_open or left else None,
        _age(seen.again_at, now, window) if told_open else None,
        seen.travelled and told_open,
        seen.reported,
        seen.heard and seen.reported is not None,
        seen.live and (limited or seen.reported is Position.OPEN),
        left,
        seen.gives_way_to if told_open and (limited or now - seen.again_at < window) else None,
    )


def _gate_notes(window: float, hand: float, seen: GateNotes, now: float, *, limited: bool) -> Key:
    told_open, left = seen.told is Position.OPEN, seen.left and seen.told is Position.SHUT
    return (
        seen.told,
        _age(seen.told_at, now, window) if told_open or left else None,
        _age(seen.again_at, now, window) if told_open else None,
        seen.said,
        seen.fresh and seen.said is not None,
        seen.live and (limited or seen.said is Position.OPEN),
        left,
        seen.gives_way_to if told_open and (limited or now - seen.again_at < window) else None,
        _age(seen.hand_at, now, hand),
    )


def _fan_seen(times: GuardTiming, coast: float, seen: st.FanSeen, now: float) -> Key:
    """The interlock's record of a collector; when it was switched off counts only while it is off."""
    off = seen.told_on is False and seen.reported_on is not True and seen.drawing is not True
    off_at = (seen.off_at if seen.off_at == inf else _age(seen.off_at, now, coast)) if off else None
    flags = (seen.off_told and seen.told_on is False, seen.latched, seen.armed, seen.adopting)
    press = (
        seen.reset_up,
        _age(seen.reset_down_at, now, times.reset_longest + 1.0),
        _age(seen.reset_asked_at, now, times.reset_alone),
    )
    return (seen.told_on, off_at, seen.reported_on, seen.drawing, *flags, *press)


def _fan_notes(times: Times, ages: tuple[float, float, float], seen: FanNotes, now: float) -> Key:
    coast, refresh, lost = ages
    off = seen.told is False and seen.reported is not True and seen.drawing is not True
    return (
        seen.told,
        seen.untold,
        seen.sure and seen.told is True,
        _age(seen.on_at, now, refresh) if seen.told is True else None,
        _age(seen.told_at, now, lost),
        _age(seen.off_at, now, coast) if off else None,
        seen.reported,
        seen.drawing,
        seen.off_since_standing and (seen.told is False or seen.reported is True or seen.drawing is True),
        seen.held,
        seen.bin_full,
        seen.up,
        _age(seen.down_at, now, times.pressed[1] + 1.0),
        _age(seen.asked_at, now, times.alone),
    )


def _age(since: float | None, now: float, bound: float) -> float | None:
    if since is None:
        return None
    age = now - since
    return min(bound, age)


def _ahead(until: float | None, now: float) -> float | None:
    if until is None or until in {inf, -inf}:
        return until
    left = until - now
    return left if left > 0 else 0.0
