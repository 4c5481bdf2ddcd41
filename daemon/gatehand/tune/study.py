"""One tool's readings looked at from end to end: levels, thresholds, cuts, pauses, run-on. What `tune` has to say."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import timedelta
from typing import Final

from gatehand.recording.format import EPOCH
from gatehand.tune.distribution import Distribution, gathered
from gatehand.tune.levels import Levels, TooShort, levels
from gatehand.tune.run_on import FEW_PAUSES, RunOn, advised, choices
from gatehand.tune.source import Piece
from gatehand.tune.spells import Spell, joined, pauses, spells
from gatehand.tune.thresholds import Thresholds, thresholds
from gatehand_rules.shop import Tool

FEWEST_CUTS: Final = 3
LEAST_HOURS: Final = 8.0
"""A working day; from less there is no figure a day."""


@dataclass(frozen=True, slots=True)
class Study:
    """A tool's study. `found` is None where it is too early to tell, for the reason in `too_short`."""

    tool: Tool
    distribution: Distribution
    hours: float
    found: "Found | None" = None
    too_short: str = ""

    @property
    def days_to_average(self) -> int:
        """Days to divide by for figures a day; 0 when the recording is too short for them."""
        return 0 if self.found is None or self.hours < LEAST_HOURS else self.found.days


@dataclass(frozen=True, slots=True)
class Found:
    """What the readings tell."""

    levels: Levels
    thresholds: Thresholds
    cuts: int
    days: int
    """Days on which it cut; 0 where the readings have no clock."""
    pauses: tuple[int, ...]
    """The pauses between cuts, ms, shortest first."""
    run_on: tuple[RunOn, ...]
    advised: RunOn | None
    """None with too few pauses to choose by."""
    spells: tuple[tuple[Spell, ...], ...] = field(repr=False, default=())


def study(tool: Tool, pieces: Sequence[Piece]) -> Study:
    """Look at one tool."""
    tracks = [piece.track for piece in pieces]
    distribution = gathered(tracks, round(tool.silent_after * 1000) or 1 << 62)
    hours = distribution.total_ms / 3_600_000
    found_levels = levels(distribution)
    if isinstance(found_levels, TooShort):
        return Study(tool, distribution, hours, too_short=found_levels.why)
    set_to = thresholds(found_levels, tracks)
    shortest = round(set_to.stop_after * 1000)
    whole = [joined(spells(track, set_to.start_ma, set_to.stop_ma), shortest) for track in tracks]
    cuts = sum(map(len, whole))
    if cuts < FEWEST_CUTS:
        seen = "no whole cut was" if not cuts else f"{cuts} whole cut{'s were' if cuts > 1 else ' was'}"
        return Study(tool, distribution, hours, too_short=f"{seen} recorded, {FEWEST_CUTS} are wanted")
    spans = sorted(pause for piece in whole for pause in pauses(piece))
    rows = choices(whole, tool.run_on)
    found = Found(
        levels=found_levels,
        thresholds=set_to,
        cuts=cuts,
        days=len({day for piece, here in zip(pieces, whole, strict=True) for day in _days(piece, here)}),
        pauses=tuple(spans),
        run_on=tuple(rows),
        advised=advised(rows) if len(spans) >= FEW_PAUSES else None,
        spells=tuple(map(tuple, whole)),
    )
    return Study(tool, distribution, hours, found)


def _days(piece: Piece, found: Sequence[Spell]) -> set[str]:
    """Local dates with a cut."""
    if piece.wall_ms is None:
        return set()
    moments = (EPOCH + timedelta(milliseconds=piece.wall_ms + spell.start) for spell in found)
    return {moment.astimezone().date().isoformat() for moment in moments}
