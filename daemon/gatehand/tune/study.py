"""One tool's readings looked at from end to end: levels, thresholds, cuts, pauses, run-on; in words and as JSON."""

from bisect import bisect_right
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass
from functools import partial
from typing import Any, Final

from msgspec import to_builtins
from msgspec.structs import replace

from gatehand.measures import UNITS, steady
from gatehand.past.meter_rhythm import rhythm_of
from gatehand.past.recordings import Piece
from gatehand.rhythm import NEAR, Rhythm, interval, misfit, words
from gatehand.terminal import paragraph, wrapped
from gatehand.text import as_sentence, listed, named
from gatehand.times import local, rough
from gatehand.tune import proposed_settings
from gatehand.tune.levels import Distribution, Level, Levels, gathered, levels
from gatehand_rules.shop import CLOSED, Tool
from gatehand_rules.words import Measure

FEWEST_CUTS: Final = 3
_WIDTH: Final = 80
_THOUSAND: Final = 1000
LEAST_HOURS: Final = 8.0
"""A working day; from less there is no figure a day."""
MUCH_CUTS: Final = 10
"""From fewer cuts, or from less than MUCH_HOURS, what is proposed is said to be early. Common practice, no source."""
MUCH_HOURS: Final = 1.0


@dataclass(frozen=True, slots=True)
class Study:
    """A tool's study. `found` is None where it is too early to tell, for the reason in `too_short`."""

    tool: Tool
    distribution: Distribution
    hours: float
    rhythm: Rhythm | None = None
    """How often its meter spoke; None: not known."""
    found: "Found | None" = None
    too_short: str = ""

    @property
    def days_to_average(self) -> int:
        """Days to divide by for figures a day; 0 when the recording is too short for them."""
        return 0 if self.found is None or self.hours < LEAST_HOURS else self.found.days

    @property
    def little_seen(self) -> bool:
        """Whether it can tell, but from so little that it may tell otherwise after a day."""
        return self.found is not None and (self.found.cuts < MUCH_CUTS or self.hours < MUCH_HOURS)


@dataclass(frozen=True, slots=True)
class Found:
    """What the readings tell."""

    levels: Levels | None
    """None for a contact, and so below."""
    thresholds: proposed_settings.Thresholds | None
    start_after: float
    cuts: int
    days: int
    """Days on which it cut; 0 where the readings have no clock."""
    lasted: tuple[int, ...]
    """How long the cuts took, ms, shortest first."""
    pauses: tuple[int, ...]
    """The pauses between cuts, ms, shortest first."""
    run_on: tuple[proposed_settings.RunOnChoice, ...]
    advised: proposed_settings.RunOnChoice | None
    """None with too few pauses to choose by."""


def study(tool: Tool, pieces: Sequence[Piece]) -> Study:
    """Look at one tool."""
    tracks = [piece.track for piece in pieces]
    distribution = gathered(tracks, round(tool.silent_after * 1000) or 1 << 62, tool.measure)
    hours = distribution.total_ms / 3_600_000
    rhythm = rhythm_of(tracks)
    found_levels = None if tool.measure is Measure.RUNNING else levels(distribution)
    if isinstance(found_levels, str):
        return Study(tool, distribution, hours, rhythm, too_short=found_levels)
    set_to = None if found_levels is None else proposed_settings.thresholds(found_levels, tracks, tool.measure)
    start_at, stop_at = (CLOSED, CLOSED) if set_to is None else (set_to.start_at, set_to.stop_at)
    shortest = round((tool.stop_after if set_to is None else set_to.stop_after) * 1000)
    found_spells = [list(proposed_settings.spells(track, start_at, stop_at)) for track in tracks]
    whole = [proposed_settings.joined(each, shortest) for each in found_spells]
    cuts = sum(map(len, whole))
    if cuts < FEWEST_CUTS:
        seen = "no whole cut was" if not cuts else f"{cuts} whole cut{'s were' if cuts > 1 else ' was'}"
        return Study(tool, distribution, hours, rhythm, too_short=f"{seen} recorded, {FEWEST_CUTS} are wanted")
    spans = sorted(pause for piece in whole for pause in proposed_settings.pauses(piece))
    options = proposed_settings.choices(whole, tool.run_on)
    with_clock = ((piece.wall_ms, here) for piece, here in zip(pieces, whole, strict=True) if piece.wall_ms is not None)
    found = Found(
        levels=found_levels,
        thresholds=set_to,
        start_after=proposed_settings.start_delay(found_spells) if set_to is None else set_to.start_after,
        cuts=cuts,
        days=len({local(wall_ms + cut.start).date() for wall_ms, here in with_clock for cut in here}),
        lasted=tuple(sorted(cut.lasted for here in whole for cut in here)),
        pauses=tuple(spans),
        run_on=tuple(options),
        advised=proposed_settings.advised(options) if len(spans) >= proposed_settings.FEW_PAUSES else None,
    )
    return Study(tool, distribution, hours, rhythm, found)


def text(one: Study) -> Iterator[str]:
    """A paragraph and a table."""
    tool = one.tool
    readings = one.distribution.readings
    counted = named(readings, "reading") if readings < _THOUSAND else f"{readings:,} readings"
    yield f"{tool.name}: {counted} over {rough(one.hours * 3600)}"
    for remark in about_meter(one):
        yield from wrapped(f"  {as_sentence(remark)}", paragraph(_WIDTH))
    if one.found is None:
        yield from wrapped(f"  too short to tell: {one.too_short}.", _WIDTH)
        return
    found = one.found
    if one.little_seen:
        seen = f"{named(found.cuts, 'cut')} in {rough(one.hours * 3600)}"
        yield f"  from {seen} only: let it record a day of work and look again"
    yield from _levels(one, found.levels)
    yield from _settings(one, found)
    yield from _pauses(found)
    yield from _table(one, found)


def about_meter(one: Study) -> Iterator[str]:
    """What its meter's rhythm is and costs, whether `silent_after` fits it, and whether it is too slow for the work."""
    rhythm = one.rhythm
    if rhythm is None:
        return
    yield f"the {'contact' if one.tool.measure is Measure.RUNNING else 'meter'} {words(rhythm)}"
    if (why := misfit(rhythm, one.tool.silent_after)) is not None:
        yield why
    if one.found is None or rhythm.on_change:
        return
    limit = rhythm.every * 1000 * NEAR
    cuts, pauses = (bisect_right(spans, limit) for spans in (one.found.lasted, one.found.pauses))
    if cuts or pauses:
        seen = [
            f"{count} of {named(len(spans), what)}"
            for count, spans, what in ((cuts, one.found.lasted, "cut"), (pauses, one.found.pauses, "pause"))
            if count
        ]
        yield (
            f"{listed(seen, last='and')} recorded took no longer than its meter's rhythm of {interval(rhythm.every)}: "
            "shorter ones were not seen at all, and starts came late; set the meter to report more often, or on change"
        )


def _levels(one: Study, found: Levels | None) -> Iterator[str]:
    if found is None:
        seconds = {value: ms / 1000 for value, ms in one.distribution.held.items()}
        at_rest = rough(seconds.get(0, 0.0))
        yield f"  a contact: {at_rest} stopped, {rough(sum(seconds.values()) - seconds.get(0, 0.0))} running"
        yield "  it has no thresholds: start_after and run_on are all that can be set"
        return
    shown = partial(steady, one.tool.measure)
    for name, level, more in (("rest", found.idle, ""), ("work", found.running, f", peaks to {shown(found.peak)}")):
        low, high, lasted = shown(level.low), shown(level.high), rough(level.seconds)
        span = f"always {low}, {lasted}" if low == high else f"{_span(low, high)} for 99 % of {lasted}"
        yield f"  {name}   {shown(level.middle):>8}  ({span}){more}"
    yield f"  up to {shown(found.split)} counts as rest, more as work (there the two lie furthest apart)"


def _span(low: str, high: str) -> str:
    """`0.05 to 0.06 A`: the unit once."""
    return f"{low.rpartition(' ')[0]} to {high}"


def _settings(one: Study, found: Found) -> Iterator[str]:
    settings, now = proposed(one), _in_force(one.tool)
    unit = UNITS.get(one.tool.measure, "")
    keys = [*_thresholds(one.tool), "start_after", *(["stop_after"] if found.thresholds else []), "run_on"]
    yield ""
    yield f"  {'':<12} {'proposed':>9} {'now':>9}"
    for key in keys:
        of = unit if key in _thresholds(one.tool) else "s"
        value = f"{settings[key]:g} {of}" if key in settings else "-"
        yield f"  {key:<12} {value:>9} {f'{now[key]:g} {of}':>9}"
    yield ""
    for remark in (*_margins(one, found), _about_run_on(found)):
        yield from wrapped(f"  {remark}", _WIDTH)


def _about_run_on(found: Found) -> str:
    best = found.advised
    if best is None:
        return f"run_on stays: {_too_few(len(found.pauses))} to choose by."
    return (
        f"run_on = {best.seconds:g} bridges {_percent(best.bridged)} of the pauses; up to there each restart saved "
        f"costs no more than {proposed_settings.WORTH_S:g} s of running."
    )


def _too_few(pauses: int) -> str:
    return f"{named(pauses, 'pause')} {'is' if pauses == 1 else 'are'} too few" if pauses else "there is no pause"


def _margins(one: Study, found: Found) -> Iterator[str]:
    """Of each threshold, how far it lies from rest and work."""
    best, levels_of = found.thresholds, found.levels
    if best is None or levels_of is None:
        return
    rest, work = levels_of.idle.high, levels_of.running.low
    shown = partial(steady, one.tool.measure)
    start, stop = (f"{key} = {proposed(one)[key]:g}" for key in _thresholds(one.tool))
    if float(shown(rest).split()[0].replace(",", "")) > 0:
        yield (
            f"{start} is {_times(best.above_rest)} the highest rest ({shown(rest)}) and {_share(1 / best.below_work)} "
            f"the lowest work ({shown(work)}); {stop} is {_times(best.stop_above_rest)} the highest rest."
        )
    else:
        least = f"{_share(1 / best.below_work)} the lowest work ({shown(work)})"
        yield f"At rest it shows {shown(rest)}; {start} is {least}."


def _times(ratio: float) -> str:
    """`7.4 times`, `18 times`: how many, with the digits that such a figure is worth."""
    if ratio > _VERY_MANY:
        return f"over {_VERY_MANY} times"
    return f"{ratio:.2g} times" if ratio < _MANY else f"{ratio:.0f} times"


_MANY: Final = 10
_VERY_MANY: Final = 100
_SHARES: Final = {
    1: "",
    3 / 4: "three quarters of",
    2 / 3: "two thirds of",
    1 / 2: "half of",
    1 / 3: "a third of",
    1 / 4: "a quarter of",
    1 / 5: "a fifth of",
    1 / 6: "a sixth of",
    1 / 7: "a seventh of",
    1 / 8: "an eighth of",
    1 / 9: "a ninth of",
    1 / 10: "a tenth of",
}
_CLOSE: Final = 0.04
"""So near to one of these a share is called by its name."""


def _share(share: float) -> str:
    """`a sixth of`, `62 % of`."""
    near = min(_SHARES, key=lambda known: abs(known - share))
    return _SHARES[near] if near != 1 and abs(near - share) <= _CLOSE * share else f"{_percent(share)} of"


def _percent(share: float) -> str:
    return f"{100 * share:.0f} %"


def _thresholds(tool: Tool) -> dict[str, float]:
    """By its key in the config; none for a contact."""
    return {key: float(value or 0.0) for key, value in (tool.start_fact() | tool.stop_fact()).items()}


def _in_force(tool: Tool) -> dict[str, float]:
    delays = {"start_after": tool.start_after, "stop_after": tool.stop_after, "run_on": tool.run_on}
    return _thresholds(tool) | delays


def _pauses(found: Found) -> Iterator[str]:
    yield ""
    if not found.pauses:
        yield f"  {named(found.cuts, 'cut')}, no pause between them"
        return
    spans = [pause / 1000 for pause in found.pauses]
    counted = f"  {named(found.cuts, 'cut')}, {named(len(spans), 'pause')} between them (up to half an hour)"
    if len(spans) < proposed_settings.FEW_PAUSES:
        words = listed(tuple(map(rough, spans)), last="and")
    else:
        middle, most = spans[len(spans) // 2], spans[min(len(spans) - 1, len(spans) * 9 // 10)]
        words = f"half are no longer than {rough(middle)}, nine in ten than {rough(most)}"
    yield from wrapped(f"{counted}: {words}", paragraph(_WIDTH))


def _table(one: Study, found: Found) -> Iterator[str]:
    days = one.days_to_average
    unit = "a day" if days else "in all"
    yield ""
    yield f"  {'run-on':>8}  {'collector':>10}  {'restarts':>8}  {'pauses'}"
    yield f"  {'s':>8}  {'min ' + unit:>10}  {unit:>8}  bridged"
    for option in found.run_on:
        marks = " ".join(
            word
            for word, here in (("now", option.seconds == one.tool.run_on), ("proposed", option == found.advised))
            if here
        )
        yield (
            f"  {option.seconds:>8g}  {option.minutes / (days or 1):>10.1f}  {option.restarts / (days or 1):>8.1f}  "
            f"{option.bridged:>7.0%}  {marks}".rstrip()
        )
    alone = "Counted as if this tool alone had the collector."
    if days:
        mean = "from the one day" if days == 1 else f"mean of the {days} days"
        yield from wrapped(f"  a day: {mean} on which it cut. {alone}", _WIDTH)
    else:
        mean = f"in the {rough(one.hours * 3600)} recorded, too short for a day's average"
        yield from wrapped(f"  in all: {mean}. {alone}", _WIDTH)


def as_json(one: Study) -> dict[str, Any]:
    """The same facts: ampere or watts, seconds, minutes."""
    measure = one.tool.measure
    values: dict[str, Any] = {
        "tool": one.tool.name,
        "measure": str(measure),
        "readings": one.distribution.readings,
        "hours": round(one.hours, 3),
        "rhythm": None if one.rhythm is None else to_builtins(one.rhythm),
        "about_meter": list(about_meter(one)),
        "too_short": one.too_short or None,
    }
    if one.found is None:
        return values
    found, best = one.found, one.found.thresholds
    if found.levels is not None and best is not None:
        values |= {
            "rest": _level_json(found.levels.idle),
            "work": _level_json(found.levels.running) | {"peak": found.levels.peak},
            f"split_{measure}": found.levels.split,
            "parted": round(found.levels.parted, 4),
            "margins": {
                "start_above_rest": round(best.above_rest, 2),
                "work_above_start": round(best.below_work, 2),
                "stop_above_rest": round(best.stop_above_rest, 2),
            },
        }
    return values | {
        "proposed": proposed(one),
        "cuts": found.cuts,
        "days": found.days,
        "pauses_s": [pause / 1000 for pause in found.pauses],
        "run_on": [_option_json(option) for option in found.run_on],
        "little_seen": one.little_seen,
        "few_pauses": len(found.pauses) < proposed_settings.FEW_PAUSES,
    }


def proposed(one: Study) -> dict[str, float]:
    """The settings to write, by their key in `[tool.NAME]`."""
    if one.found is None:
        return {}
    best, settings = one.found.thresholds, {"start_after": one.found.start_after}
    if best is not None:
        tuned = replace(one.tool, start_at=best.start_at, stop_at=best.stop_at)
        settings = _thresholds(tuned) | settings | {"stop_after": best.stop_after}
    return settings if one.found.advised is None else settings | {"run_on": one.found.advised.seconds}


def _level_json(level: Level) -> dict[str, float]:
    return asdict(level) | {"seconds": round(level.seconds, 1)}


def _option_json(option: proposed_settings.RunOnChoice) -> dict[str, float]:
    return {
        "run_on": option.seconds,
        "minutes": round(option.minutes, 2),
        "restarts": option.restarts,
        "bridged": round(option.bridged, 4),
    }
