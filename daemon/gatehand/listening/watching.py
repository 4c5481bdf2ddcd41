"""`--watch-for`: asks somebody to switch a machine on and off, until it is clear which signal followed.

Knows no terminal and no broker: what is heard comes into `Listening` meanwhile, by whoever feeds it.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Final, Protocol

from gatehand.listening.cycles import Switched
from gatehand.listening.found import LEAST_WORK_S, Follower, is_clear
from gatehand.listening.observed import HeardSignal, Listening
from gatehand.listening.watched import changed, followers
from gatehand.person import EndOfInput, Typed

BASELINE: Final = 12.0
"""Seconds of rest first, so that what moves by itself shows it."""
LONGEST: Final = 40.0
"""Seconds that a meter is waited for at most: four messages of one that speaks every 10 s."""
MOST: Final = 3
"""Times that the machine is switched at most."""
_LOOK_EVERY: Final = 1.0
CAUTION: Final = (
    "Gatehand only listens: you switch the machine. Guards on, nothing in the cut, hands clear. Where it makes dust, "
    "switch the collector on and open the gate by hand first."
)


class Asked(Protocol):
    """The person, as `gatehand.person.Person`."""

    def now(self) -> float:
        """Monotonic seconds."""

    def say(self, text: str) -> None:
        """Tell the person something."""

    def ask(self, text: str) -> None:
        """Ask the person something."""

    async def next(self, until: float) -> Typed | None:
        """The next line or ending; None: nothing up to `until`."""


@dataclass(frozen=True, slots=True)
class Watched:
    """What was done with `name`, and what followed, likeliest first."""

    name: str
    switched: tuple[Switched, ...]
    found: tuple[Follower, ...]
    ended: EndOfInput | None = None
    """Why it was broken off; None: it went to its end."""
    besides: tuple[HeardSignal, ...] = ()
    """Where nothing followed: what changed meanwhile at other times than asked."""

    @property
    def clear(self) -> bool:
        """Whether it is the first of `found`, surely."""
        return is_clear(self.found)


class _EndedError(Exception):
    def __init__(self, by: EndOfInput) -> None:
        super().__init__()
        self.by = by


async def watch_for(person: Asked, heard: Listening, name: str, leave_out: Callable[[str], bool]) -> Watched:
    """Ask for it, once or up to `MOST` times. `name`: as a person says it."""
    done: list[Switched] = []
    found: list[Follower] = []
    began = person.now()
    try:
        person.say(CAUTION)
        person.say(f"Leave the {name} switched off for now. Listening for {BASELINE:g} s.")
        await _pause(person, person.now() + BASELINE)
        while len(done) < MOST:
            if found:
                person.say("More than one signal could be it. Once more, to tell them apart.")
            done.append(await _once(person, heard, name, (*done,), leave_out))
            found = followers(heard, done, person.now(), leave_out)
            if is_clear(found) or not found:
                break
    except _EndedError as ended:
        return Watched(name, (*done,), (*found,), ended.by)
    return with_besides(Watched(name, (*done,), (*found,)), heard, began, person.now(), leave_out)


def with_besides(
    watched: Watched, heard: Listening, began: float, until: float, leave_out: Callable[[str], bool]
) -> Watched:
    """With what changed from `began` to `until`, where nothing followed."""
    return watched if watched.found else replace(watched, besides=(*changed(heard, began, until, leave_out),))


async def _once(
    person: Asked, heard: Listening, name: str, before: tuple[Switched, ...], leave_out: Callable[[str], bool]
) -> Switched:
    on_after = person.now()
    person.ask(f"Switch the {name} on and leave it on, then press Enter")
    await _enter(person)
    on_by = person.now()
    person.say("Listening. Leave it on until you are asked.")

    def levels_are_known() -> bool:
        now = person.now()
        found = followers(heard, (*before, Switched(on_after, on_by, now, now)), now, leave_out)
        if now < on_by + LEAST_WORK_S or not found:
            return False
        thresholds = found[0].thresholds
        return thresholds is None or not thresholds.wanting

    await _pause(person, on_by + LONGEST, levels_are_known)
    off_after = person.now()
    person.ask(f"Switch the {name} off, then press Enter")
    await _enter(person)
    done = Switched(on_after, on_by, off_after, person.now())
    person.say("Listening for what says that it has stopped.")

    def has_fallen() -> bool:
        found = followers(heard, (*before, done), person.now(), leave_out)
        return person.now() >= done.off_by + _LOOK_EVERY and bool(found) and found[0].back

    await _pause(person, done.off_by + LONGEST, has_fallen)
    return done


async def _enter(person: Asked) -> None:
    typed = await person.next(float("inf"))
    if isinstance(typed, EndOfInput):
        raise _EndedError(typed)


async def _pause(person: Asked, until: float, is_enough: Callable[[], bool] = lambda: False) -> None:
    """Until then, until it is enough, or until somebody is tired of waiting and presses Enter."""
    while person.now() < until and not is_enough():
        typed = await person.next(min(until, person.now() + _LOOK_EVERY))
        if isinstance(typed, EndOfInput):
            raise _EndedError(typed)
        if typed is not None:
            return
