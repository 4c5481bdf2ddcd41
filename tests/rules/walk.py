"""Breadth first through every situation that events and time can lead to, with the observer at every step."""

from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from canonical import Canonical, Key
from watcher import Notes, Times, blank, watch

from gatehand_rules import Outcome, Shop, State, initial, step
from gatehand_rules import events as ev
from gatehand_rules.findings import Happened

Move = tuple[float, ev.Event]
"""Seconds that pass first, without a tick, and the event."""


@dataclass(slots=True)
class Walked:
    """What a walk came to."""

    states: int = 0
    transitions: int = 0
    depth: int = 0
    complete: bool = False
    breaches: list[str] = field(default_factory=list)
    path: list[str] = field(default_factory=list)

    def __str__(self) -> str:
        """One line for the terminal."""
        whole = "every one walked" if self.complete else "cut short"
        return f"{self.states} states, {self.transitions} transitions, {self.depth} moves deep, {whole}"


Judge = Callable[[Outcome], list[str]]


def no_veto(outcome: Outcome) -> list[str]:
    """In a sound sequence the interlock has nothing to do."""
    return [f"veto: {one}" for one in outcome.findings if one.event is Happened.COMMAND_VETOED]


def anything(outcome: Outcome) -> list[str]:
    """No demand beyond the observer's."""
    del outcome
    return []


def walk(
    shop: Shop,
    moves: Sequence[Move],
    times: Times,
    *,
    begin: Sequence[Move] = (),
    also: Judge = no_veto,
    most: int = 10**9,
    broker: bool = False,
    but: str = "nothing",
) -> Walked:
    """Every move from every situation, until none is new or `most` situations are known. Stops at the first breach.

    `broker`: it may be lost and come back; nothing but time happens in between. `but`: breaches that begin so pass.
    """
    canonical, done = Canonical(shop, times, losing=broker), Walked()
    state, notes, now = initial(shop, 0.0), blank(shop, times), 0.0
    for pause, event in begin:
        now += pause
        outcome = step(shop, state, event, now)
        notes, breaches = watch(shop, notes, event, outcome.commands, now)
        state = outcome.state
        done.breaches += breaches
    first = canonical.key(state, notes, now)
    came_from: dict[Key, tuple[Key, Move] | None] = {first: None}
    queue: deque[tuple[Key, State, Notes, float, int]] = deque([(first, state, notes, now, 0)])
    done.complete = True
    while queue:
        key, state, notes, now, done.depth = queue.popleft()
        for move in _open_to(moves, notes, now) if broker else moves:
            pause, event = move
            then = now + pause
            outcome = step(shop, state, event, then)
            seen, breaches = watch(shop, notes, event, outcome.commands, then)
            done.transitions += 1
            breaches = [one for one in breaches if not one.startswith(but)] + also(outcome)
            if breaches:
                done.breaches, done.path = breaches, _path(came_from, key, move, outcome)
                done.states, done.complete = len(came_from), False
                return done
            reached = canonical.key(outcome.state, seen, then)
            if reached in came_from:
                continue
            if len(came_from) >= most:
                done.complete = False
                continue
            came_from[reached] = (key, move)
            queue.append((reached, outcome.state, seen, then, done.depth + 1))
    done.states = len(came_from)
    return done


def _open_to(moves: Sequence[Move], notes: Notes, now: float) -> list[Move]:
    """What can happen with a broker that may be gone."""
    if notes.connected:
        return [*moves, (0.0, ev.BrokerLost(now)), (0.0, ev.BrokerLost(max(notes.heard_at, now - 1.0)))]
    return [*(move for move in moves if isinstance(move[1], ev.Tick)), (0.0, ev.BrokerConnected())]


def _path(came_from: dict[Key, tuple[Key, Move] | None], key: Key, last: Move, outcome: Outcome) -> list[str]:
    """The shortest way from the beginning to the breach, a move a line."""
    taken = [last]
    at = came_from[key]
    while at is not None:
        key, move = at
        taken.append(move)
        at = came_from[key]
    lines = [f"after {pause:g} s: {event}" for pause, event in reversed(taken)]
    return [*lines, *(f"    -> {command}" for command in outcome.commands)]
