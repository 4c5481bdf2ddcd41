"""Meters as they are found in shops, made from a seed: when each speaks, and whether it says anything new."""

from collections.abc import Iterable, Iterator
from random import Random
from typing import NamedTuple

from gatehand.rhythm import Rhythm, RhythmMeter


class Said(NamedTuple):
    """One message."""

    at: float
    changed: bool


def steady(
    dice: Random, every: float, until: float, *, late: float = 0.05, lost: float = 0.01, new: float = 0.1
) -> Iterator[Said]:
    """Speaks every `every` seconds, up to `late` of that later; loses some; `new`: share that says something new."""
    beat = every
    while beat < until:
        if dice.random() >= lost:
            yield Said(beat + dice.uniform(0, late * every), dice.random() < new)
        beat += every


def cuts(dice: Random, until: float) -> Iterator[tuple[float, float]]:
    """When a tool starts and stops."""
    at = dice.uniform(30, 400)
    while at < until:
        end = at + dice.uniform(4, 90)
        yield at, end
        at = end + dice.expovariate(1 / 240) + 3


def on_change(dice: Random, until: float, *, within: float = 0.0) -> Iterator[Said]:
    """Speaks when a tool starts and stops; `within` a cut at about each so many seconds too (a load that wavers)."""
    for start, end in cuts(dice, until):
        yield Said(start, True)
        yield Said(start + dice.uniform(0.2, 1.0), True)  # the inrush is over
        at = start + 1
        while within and (at := at + within * dice.choice((1, 1, 1, 2, 3))) < end:
            yield Said(at, True)
        yield Said(end, True)


def both(dice: Random, every: float, until: float, *, anew: bool, within: float = 0.0) -> Iterator[Said]:
    """Speaks on change and every `every` seconds besides: by a clock of its own, or (`anew`) so long after its last."""
    changes, beat = on_change(dice, until, within=within), every
    change = next(changes, None)
    while beat < until:
        if change is not None and change.at < beat:
            yield change
            beat = change.at + every if anew else beat
            change = next(changes, None)
        else:
            yield Said(beat, False)
            beat += every


def switched_off(said: Iterator[Said], begin: float, end: float) -> Iterator[Said]:
    """The same, but nothing came between two times."""
    return (one for one in said if not begin < one.at < end)


def told(said: Iterable[Said]) -> Rhythm | None:
    """What a meter's messages tell; None: too little."""
    meter = RhythmMeter()
    for one in said:
        meter.add(one.at, changed=one.changed)
    return meter.rhythm


def heard(said: Iterable[Said]) -> Rhythm:
    """The same, which must be something."""
    found = told(said)
    assert found is not None
    return found
