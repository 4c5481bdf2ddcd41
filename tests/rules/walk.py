"""Breadth first through every situation that events and time can lead to, with the observer at every step."""

from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from canonical import Canonical, Key
from watcher import Notes, blank, watch

from gatehand_rules import Outcome, Shop, State, initial, step
from gatehand_rules.events import Event
from gatehand_rules.findings import Happened

Move = tuple[float, Event]
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
    vetoes: int = 0

    def __str__(self) -> str:
        """One line for the terminal."""
        whole = "whole" if self.complete else "cut short"
        return f"{self.states} states, {self.transitions} transitions, depth {self.depth}, {whole}"


Judge = Callable[[Outcome], list[str]]


def no_veto(outcome: Outcome) -> list[str]:
    """In a sound sequence the interlock has nothing to do."""
    return [f"veto: {one}" for one in outcome.findings if one.event is Happened.COMMAND_VETOED]


def walk(
    shop: Shop,
    moves: Sequence[Move],
    *,
    begin: Sequence[Move] = (),
    also: Judge = no_veto,
    most: int = 10**9,
    losing: bool = False,
) -> Walked:
    """Every move from every situation, until none is new or `most` situations are known. Stops at the first breach."""
    canonical, done = Canonical(shop, losing=losing), Walked()
    state, notes, now = initial(shop, 0.0), blank(shop), 0.0
    for pause, event in begin:
        now += pause
        outcome = step(shop, state, event, now)
        notes, breaches = watch(shop, notes, event, outcome.commands, now)
        state = outcome.state
        done.breaches += breaches
    first = canonical.key(state, notes, now)
    came_from: dict[Key, tuple[Key, int] | None] = {first: None}
    queue: deque[tuple[Key, State, Notes, float, int]] = deque([(first, state, notes, now, 0)])
    done.complete = True
    while queue:
        key, state, notes, now, depth = queue.popleft()
        done.depth = depth
        for number, (pause, event) in enumerate(moves):
            then = now + pause
            outcome = step(shop, state, event, then)
            seen, breaches = watch(shop, notes, event, outcome.commands, then)
            done.transitions += 1
            breaches = breaches + also(outcome)
            if breaches:
                done.breaches, done.path = breaches, _path(came_from, key, moves, (number, outcome))
                done.states = len(came_from)
                done.complete = False
                return done
            reached = canonical.key(outcome.state, seen, then)
            if reached in came_from:
                continue
            if len(came_from) >= most:
                done.complete = False
                continue
            came_from[reached] = (key, number)
            queue.append((reached, outcome.state, seen, then, depth + 1))
    done.states = len(came_from)
    return done


def _path(
    came_from: dict[Key, tuple[Key, int] | None], key: Key, moves: Sequence[Move], last: tuple[int, Outcome]
) -> list[str]:
    """The shortest way from the beginning to the breach, a move a line."""
    numbers = [last[0]]
    at = came_from[key]
    while at is not None:
        key, number = at
        numbers.append(number)
        at = came_from[key]
    lines = [f"after {moves[i][0]:g} s: {moves[i][1]}" for i in reversed(numbers)]
    return [*lines, *(f"    -> {command}" for command in last[1].commands)]
