"""What `exercise --limit` found, what it means, and how that is shown. No waiting and no telling here."""

import math
from collections.abc import Iterator
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Final

import msgspec

from gatehand.exercise.results import WIDTH, Remark, failed, is_failed, look
from gatehand.journal.sentences import spoken
from gatehand.terminal import paragraph, wrapped
from gatehand.text import listed

REFRESHES: Final = 3.0
"""So many times its `refresh` a switch is given to go off by itself."""
SOUND: Final = 2.0
"""So many refreshes a limit should last at least: one may get lost."""
ROOM: Final = 2.2
"""Refreshes within the limit where another refresh is proposed: common practice, no published source."""


class SeenBy(StrEnum):
    """What showed that the fan's switch went off."""

    STATE = "state"
    """Its own report."""
    MOTOR = "motor"
    """The motor's sensor."""
    EYE = "eye"
    """The person's Enter."""


@dataclass(slots=True)
class LimitResult:
    """As it comes. Times in seconds after the on; None: not seen."""

    collector: str
    refresh: float
    gates: tuple[str, ...] = ()
    """Proven open before the on."""
    was_on: bool = False
    """The fan was switched on."""
    limit: float | None = None
    """When its switch went off by itself."""
    last_on: float | None = None
    """When it was last seen on before that: the limit lies between the two where its sensor speaks seldom."""
    seen_by: SeenBy | None = None
    remarks: list[Remark] = field(default_factory=list)
    stopped: str | None = None
    broken_off: bool = False
    made_safe: str = ""

    @property
    def within(self) -> float:
        """Seconds that it was given."""
        return REFRESHES * self.refresh

    @property
    def ok(self) -> bool:
        """It has a limit that fits, and the test went to its end."""
        ended = not self.broken_off and self.stopped is None
        return ended and self.limit is not None and not is_failed(self.remarks)


def refused_without_refresh(name: str) -> str:
    """Why there is nothing to try, and what to do."""
    return (
        f'[collector.{name}] has refresh = 0: the "on" is never repeated, so a switch with a time limit would go off '
        "in mid-cut. Give the switch a limit of its own (its maker's settings), set refresh to a little under half of "
        "it, then try this again"
    )


def judge(result: LimitResult) -> Iterator[Remark]:
    """What a test that went to its end means."""
    refresh, limit = result.refresh, result.limit
    if limit is None:
        yield failed(
            f'This switch has no time limit: it was still on {result.within:g} s after the "on" ({REFRESHES:g} x '
            f"refresh of {refresh:g} s). When the daemon, its computer or the network dies, the fan keeps running for "
            "ever. Give the switch a limit of its own (its maker's settings), a little more than twice refresh."
        )
    elif limit <= refresh:
        yield failed(
            f"Its limit is shorter than refresh = {refresh:g} s: it goes off in mid-cut. Set its limit to a little "
            f"more than {SOUND * refresh:g} s, or refresh = {proposed_refresh(limit):g}."
        )
    elif limit < SOUND * refresh:
        yield look(
            f"One refresh that gets lost switches it off in mid-cut. Set its limit to a little more than "
            f"{SOUND * refresh:g} s, or refresh = {proposed_refresh(limit):g}."
        )


def proposed_refresh(limit: float) -> float:
    """The `refresh` that fits a limit, seconds: whole ones, 1 s at least, as the config wants it."""
    return max(1.0, math.floor(limit / ROOM))


def text(result: LimitResult) -> str:
    """Everything that stands at the end."""
    lines = list(_lines(result))
    return "\n".join(line for one in lines for line in wrapped(one, paragraph(WIDTH)))


def _lines(result: LimitResult) -> Iterator[str]:
    name = result.collector
    if result.limit is not None:
        how = {SeenBy.STATE: "its own report", SeenBy.MOTOR: "its motor's sensor", SeenBy.EYE: "the person's Enter"}
        by = "" if result.seen_by is None else f", seen by {how[result.seen_by]}"
        since = result.last_on
        between = "" if since is None or result.limit - since < 1 else f" (it was last seen on at {since:.1f} s)"
        yield f'The switch of {name} went off by itself {result.limit:.1f} s after the "on"{by}{between}.'
    for remark in result.remarks:
        yield f"{'FAILED: ' if is_failed([remark]) else ''}{remark.text}"
    if result.stopped is not None:
        yield f"STOPPED: {result.stopped}."
    if result.broken_off:
        yield "Stopped early."
    if result.made_safe:
        yield result.made_safe
    if result.ok:
        gates = f" with {listed(map(spoken, result.gates), last='and')} open" if result.gates else ""
        yield f"All is well: tried{gates}, refresh = {result.refresh:g} s."
    else:
        yield "Not all is well."


def as_json(result: LimitResult) -> dict[str, object]:
    """The same for programs."""
    proposal = None if result.limit is None else proposed_refresh(result.limit)
    plain = msgspec.to_builtins(result)
    return {"ok": result.ok, "within": result.within, **plain, "proposed_refresh": proposal}
