"""A study in words and as JSON values."""

from collections.abc import Iterator
from typing import Any

from gatehand.config.shown import named
from gatehand.tune.levels import Level
from gatehand.tune.run_on import FEW_PAUSES, WORTH_S, RunOn
from gatehand.tune.study import Found, Study


def text(one: Study) -> Iterator[str]:
    """A paragraph and a table."""
    tool = one.tool
    yield f"{tool.name}: {one.distribution.readings:,} readings over {_span(one.hours * 3600)}"
    if one.found is None:
        yield f"  too short to tell: {one.too_short}."
        return
    found = one.found
    yield f"  rest   {_level(found.levels.idle)}"
    yield f"  work   {_level(found.levels.running)}, peaks to {found.levels.peak:.1f} A"
    yield (
        f"  parted at {found.levels.split:.2f} A by Otsu's method; {found.levels.parted:.0%} of the spread lies "
        "between the two"
    )
    yield from _settings(one, found)
    yield from _pauses(found)
    yield from _table(one, found)


def _level(level: Level) -> str:
    return f"{level.middle:6.2f} A  (99 of 100 between {level.low:.2f} and {level.high:.2f} A, {_span(level.seconds)})"


def _settings(one: Study, found: Found) -> Iterator[str]:
    tool, best = one.tool, found.thresholds
    yield ""
    yield f"  {'':<12} {'proposed':>9}  {'now':>6}"
    yield (
        f"  {'start_amps':<12} {best.start_amps:>9g}  {tool.start_amps:>6g}   {best.above_rest:.1f} times the top of "
        f"rest, work begins at {best.below_work:.1f} times it"
    )
    yield (
        f"  {'stop_amps':<12} {best.stop_amps:>9g}  {tool.stop_amps:>6g}   {best.stop_above_rest:.1f} times the top of "
        "rest"
    )
    yield f"  {'start_after':<12} {best.start_after:>9g}  {tool.start_after:>6g}   s"
    yield f"  {'stop_after':<12} {best.stop_after:>9g}  {tool.stop_after:>6g}   s"
    if found.advised is not None:
        yield (
            f"  {'run_on':<12} {found.advised.seconds:>9g}  {tool.run_on:>6g}   s, up to which a restart spared costs "
            f"no more than {WORTH_S:g} s of running"
        )
    else:
        pauses = named(len(found.pauses), "pause")
        yield f"  {'run_on':<12} {'-':>9}  {tool.run_on:>6g}   s; {pauses}: too few to choose by"


def _pauses(found: Found) -> Iterator[str]:
    yield ""
    if not found.pauses:
        yield f"  {named(found.cuts, 'cut')}, no pause between them"
        return
    spans = [pause / 1000 for pause in found.pauses]
    middle, most = spans[len(spans) // 2], spans[min(len(spans) - 1, len(spans) * 9 // 10)]
    yield (
        f"  {named(found.cuts, 'cut')}, {named(len(spans), 'pause')} between them (up to half an hour): half are no "
        f"longer than {_span(middle)}, nine in ten than {_span(most)}"
    )


def _table(one: Study, found: Found) -> Iterator[str]:
    days = one.days_to_average
    unit = "a day" if days else "in all"
    yield ""
    yield f"  {'run-on':>8}  {'collector':>10}  {'restarts':>8}  {'pauses'}"
    yield f"  {'s':>8}  {'min ' + unit:>10}  {unit:>8}  bridged"
    for row in found.run_on:
        marks = " ".join(
            word for word, here in (("now", row.seconds == one.tool.run_on), ("proposed", row == found.advised)) if here
        )
        yield (
            f"  {row.seconds:>8g}  {row.minutes / (days or 1):>10.1f}  {row.restarts / (days or 1):>8.1f}  "
            f"{row.bridged:>7.0%}  {marks}".rstrip()
        )
    if days:
        yield f"  a day: mean of the {days} on which it cut. Counted as if this tool alone had the collector."
    else:
        yield f"  in all: in the {one.hours:.1f} h recorded, too short for a day's average."


def _span(seconds: float) -> str:
    if seconds < 120:  # noqa: PLR2004
        return f"{seconds:.3g} s"
    return f"{seconds / 60:.1f} min" if seconds < 7200 else f"{seconds / 3600:.1f} h"  # noqa: PLR2004


def as_json(one: Study) -> dict[str, Any]:
    """The same facts: ampere, seconds, minutes."""
    head: dict[str, Any] = {
        "tool": one.tool.name,
        "readings": one.distribution.readings,
        "hours": round(one.hours, 3),
        "too_short": one.too_short or None,
    }
    if one.found is None:
        return head
    found, best = one.found, one.found.thresholds
    return head | {
        "rest": _level_json(found.levels.idle),
        "work": _level_json(found.levels.running) | {"peak": found.levels.peak},
        "split_amps": found.levels.split,
        "parted": round(found.levels.parted, 4),
        "proposed": proposed(one),
        "margins": {
            "start_above_rest": round(best.above_rest, 2),
            "work_above_start": round(best.below_work, 2),
            "stop_above_rest": round(best.stop_above_rest, 2),
        },
        "cuts": found.cuts,
        "days": found.days,
        "pauses_s": [pause / 1000 for pause in found.pauses],
        "run_on": [_row_json(row) for row in found.run_on],
        "few_pauses": len(found.pauses) < FEW_PAUSES,
    }


def proposed(one: Study) -> dict[str, float]:
    """The settings to write, by their key in `[tool.NAME]`."""
    if one.found is None:
        return {}
    best = one.found.thresholds
    settings = {
        "start_amps": best.start_amps,
        "stop_amps": best.stop_amps,
        "start_after": best.start_after,
        "stop_after": best.stop_after,
    }
    return settings if one.found.advised is None else settings | {"run_on": one.found.advised.seconds}


def _level_json(level: Level) -> dict[str, float]:
    return {"low": level.low, "middle": level.middle, "high": level.high, "seconds": round(level.seconds, 1)}


def _row_json(row: RunOn) -> dict[str, float]:
    return {
        "run_on": row.seconds,
        "minutes": round(row.minutes, 2),
        "restarts": row.restarts,
        "bridged": round(row.bridged, 4),
    }
