"""What to set for a tool: start and stop threshold between rest and work, delays that keep blips out, and a run-on.

Cuts and pauses are a tool's readings through its two thresholds, without delays. What each run-on would cost and save
is counted for one tool as if it alone had the collector; where tools share it, both figures are lower.
"""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

from gatehand.past.deadband import HIGHEST, LOWEST, Deadband, first_outside
from gatehand.past.stretches import Track
from gatehand.tune.levels import Levels, between
from gatehand_rules.words import Measure

AWAY_MS = 30 * 60_000
"""A pause this long is no pause between cuts but the end of the work."""


@dataclass(frozen=True, slots=True)
class Spell:
    """Drawing, from the first reading at or above the start threshold to the first one below the stop threshold, ms."""

    start: int
    end: int

    @property
    def lasted(self) -> int:
        """How long, ms."""
        return self.end - self.start


def spells(track: Track, start_at: float, stop_at: float) -> Iterator[Spell]:
    """All spells that the track holds whole. What is drawing at its start or end is not counted."""
    ms, ma, end = track.ms, track.ma, len(track)
    resting, drawing = Deadband(LOWEST, round(start_at * 1000)), Deadband(round(stop_at * 1000), HIGHEST)
    at = first_outside(ma, 0, end, drawing)  # drawing from the start: wait for its end
    while (begun := first_outside(ma, at, end, resting)) < end:
        at = first_outside(ma, begun, end, drawing)
        if at < end:
            yield Spell(ms[begun], ms[at])


def joined(found: Iterable[Spell], shorter_than: int) -> list[Spell]:
    """Spells with the pauses shorter than this taken as part of them."""
    whole: list[Spell] = []
    for spell in found:
        if whole and spell.start - whole[-1].end < shorter_than:
            whole[-1] = Spell(whole[-1].start, spell.end)
        else:
            whole.append(spell)
    return whole


def pauses(found: Iterable[Spell]) -> list[int]:
    """The pauses between spells, ms, without those that end the work."""
    return [after.start - before.end for before, after in pairwise(found) if after.start - before.end < AWAY_MS]


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
    """In the unit of the sensor, and seconds."""

    start_at: float
    stop_at: float
    start_after: float
    stop_after: float
    above_rest: float
    """How many times the top of rest the start threshold is."""
    below_work: float
    """How many times the start threshold the bottom of work is."""
    stop_above_rest: float


def thresholds(found: Levels, tracks: Sequence[Track], measure: Measure = Measure.AMPS) -> Thresholds:
    """Thresholds for these levels, and delays for what the tracks show at them."""
    rest, work = found.idle.high, found.running.low
    start = rounded(between(rest, work, START_AT, measure), measure)
    stop = min(rounded(between(rest, work, STOP_AT, measure), measure), start)
    found_spells = [list(spells(track, start, stop)) for track in tracks]
    return Thresholds(
        start_at=start,
        stop_at=stop,
        start_after=start_delay(found_spells),
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


def start_delay(found: Iterable[Sequence[Spell]]) -> float:
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


_STEPS: Final = {
    Measure.AMPS: ((10.0, 0.5), (0.0, 0.05)),
    Measure.WATTS: ((1000.0, 50.0), (100.0, 5.0), (0.0, 1.0)),
}
"""From each reading on, the highest first, the step."""


def rounded(value: float, measure: Measure = Measure.AMPS) -> float:
    """To a step that a person would write: 0.05 A below 10 A, 0.5 A above; 1 W below 100 W, 5 W, from 1,000 W on 50."""
    step = next(step for least, step in _STEPS[measure] if value >= least)
    return round(max(step, round(value / step) * step), 2)


CHOICES_S: Final = (0.0, 2.0, 5.0, 10.0, 15.0, 20.0, 30.0, 45.0, 60.0, 90.0, 120.0, 180.0)
WORTH_S: Final = 60.0
"""Seconds of running that one restart saved may cost: common practice, no published source."""
FEW_PAUSES: Final = 10


@dataclass(frozen=True, slots=True)
class RunOnChoice:
    """One choice. `minutes` and `restarts` are for the whole of the recording; `bridged` is a share of the pauses."""

    seconds: float
    minutes: float
    restarts: int
    bridged: float


def choices(pieces: Sequence[Sequence[Spell]], also: float | None = None) -> list[RunOnChoice]:
    """One for each run-on; `also`: the one in force, if it is not among them."""
    spans = [pause for piece in pieces for pause in pauses(piece)]
    cuts_ms = sum(spell.lasted for piece in pieces for spell in piece)
    count = sum(len(piece) for piece in pieces)
    options = []
    for seconds in sorted({*CHOICES_S, *(() if also is None else (also,))}):
        limit = round(seconds * 1000)
        bridged = [span for span in spans if span <= limit]
        restarts = count - len(bridged)
        on_ms = cuts_ms + sum(bridged) + restarts * limit
        options.append(RunOnChoice(seconds, on_ms / 60_000, restarts, len(bridged) / len(spans) if spans else 0.0))
    return options


def advised(options: Sequence[RunOnChoice]) -> RunOnChoice:
    """The longest run-on up to which each restart saved costs no more than `WORTH_S` of running."""
    best = options[0]
    for option in options:
        saved = best.restarts - option.restarts
        if saved > 0 and (option.minutes - best.minutes) * 60 <= WORTH_S * saved:
            best = option
    return best
