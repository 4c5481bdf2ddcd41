"""What to set for a tool: start and stop threshold between rest and work, and the delays that keep blips out."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

from gatehand.past.stretches import Track
from gatehand.tune.levels import Levels, between
from gatehand.tune.spells import Spell, pauses, spells

START_AT: Final = 0.6
STOP_AT: Final = 0.3
"""Where the thresholds stand on the way from the top of rest to the bottom of work: common practice, no source."""
SHORTEST_PAUSE_MS: Final = 1000
"""Nobody stops a machine and starts it again within a second: a shorter pause is a dip. Common practice, no source."""
BLIP_MS: Final = 400
ALONE_MS: Final = 5000
"""A blip: drawing for no longer, with rest for at least this long on either side."""
_SAMPLE: Final = 20_000
MANY: Final = 0.1
"""Blips are worth a delay of every start from this share of all starts on."""


@dataclass(frozen=True, slots=True)
class Thresholds:
    """Ampere and seconds."""

    start_amps: float
    stop_amps: float
    start_after: float
    stop_after: float
    above_rest: float
    """How many times the top of rest the start threshold is."""
    below_work: float
    """How many times the start threshold the bottom of work is."""
    stop_above_rest: float

    @property
    def start_ma(self) -> int:
        """In milliampere."""
        return round(self.start_amps * 1000)

    @property
    def stop_ma(self) -> int:
        """In milliampere."""
        return round(self.stop_amps * 1000)


def thresholds(found: Levels, tracks: Sequence[Track]) -> Thresholds:
    """Thresholds for these levels, and delays for what the tracks show at them."""
    rest, work = found.idle.high, found.running.low
    start = rounded(between(rest, work, START_AT))
    stop = min(rounded(between(rest, work, STOP_AT)), start)
    found_spells = [list(spells(track, round(start * 1000), round(stop * 1000))) for track in tracks]
    return Thresholds(
        start_amps=start,
        stop_amps=stop,
        start_after=_start_after(found_spells),
        stop_after=_stop_after(found_spells, _interval(tracks)),
        above_rest=start / max(rest, 0.001),
        below_work=work / start,
        stop_above_rest=stop / max(rest, 0.001),
    )


def _interval(tracks: Sequence[Track]) -> int:
    """The usual time from one reading to the next, ms."""
    steps = sorted(after - before for track in tracks for before, after in pairwise(track.ms[:_SAMPLE]))
    return steps[len(steps) // 2] if steps else 0


def _stop_after(found: Iterable[Sequence[Spell]], interval: int) -> float:
    """Seconds that bridge dips within a cut, where there are any, and still let a pause of a second count.

    Two readings less than the second: the pause may begin just after one and end just before another.
    """
    dips = [pause for here in found for pause in pauses(here) if pause < SHORTEST_PAUSE_MS]
    return max(0, SHORTEST_PAUSE_MS - 2 * interval) // 50 * 50 / 1000 if dips else 0.0


def _start_after(found: Iterable[Sequence[Spell]]) -> float:
    """Seconds that let lone blips pass without a start, when they are many; else 0, for a delay costs every start."""
    starts, blips = 0, []
    for here in found:
        starts += len(here)
        for before, spell, after in zip([None, *here], here, [*here[1:], None], strict=False):
            alone = (before is None or spell.start - before.end >= ALONE_MS) and (
                after is None or after.start - spell.end >= ALONE_MS
            )
            if alone and spell.lasted <= BLIP_MS:
                blips.append(spell.lasted)
    if len(blips) < 2 or len(blips) < MANY * starts:  # noqa: PLR2004 - one is an accident
        return 0.0
    return (max(blips) // 50 + 1) * 50 / 1000


def rounded(amps: float) -> float:
    """To a step that a person would write: 0.05 A below 10 A, 0.5 A above."""
    step = 0.5 if amps >= 10 else 0.05  # noqa: PLR2004
    return round(max(step, round(amps / step) * step), 2)
