"""A tool: why it did not start the collector, or how it did. One function for each case."""

from operator import itemgetter
from typing import TYPE_CHECKING, Final

from gatehand.journal.sentences.fill import lasting, spoken
from gatehand.why import of_refusal, of_start, standing
from gatehand.why.attempt import Attempt, nearest
from gatehand.why.scene import Scene
from gatehand.why.trial import readings
from gatehand.why.try_out import catch_the_cut
from gatehand.why.verdict import NOTHING, Verdict, amps, at_clock
from gatehand_rules.findings import Happened, Rule

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

_LOOKED_MS: Final = 120_000


def verdict(scene: Scene) -> Verdict:
    """The case of a tool at a moment."""
    found = standing.silent(scene) or _by_attempt(scene) or standing.muted(scene) or standing.blind(scene)
    return found or _quiet(scene)


def _by_attempt(scene: Scene) -> Verdict | None:
    attempt = nearest(scene)
    if attempt is None:
        return None
    head = attempt.head
    if head.is_(Happened.START_MISSED):
        missed: Mapping[str, Callable[[Scene, Attempt], Verdict]] = {
            Rule.SHORTER_THAN_START_AFTER: _too_short,
            Rule.NOT_CONFIRMED: _not_confirmed,
        }
        return missed.get(head.text("rule"), _under)(scene, attempt)
    if head.is_(Happened.START_REFUSED):
        case = of_refusal.REFUSED.get(head.text("rule"), of_refusal.refused_otherwise)
        return case(scene, attempt)
    case_of: Mapping[str, Callable[[Scene, Attempt], Verdict]] = {
        Happened.TOOL_STARTED: of_start.started,
        Happened.TOOL_MUTED: _muted,
        Happened.READING_REJECTED: _rejected,
    }
    return case_of[str(head.line["event"])](scene, attempt)


def _under(scene: Scene, attempt: Attempt) -> Verdict:
    """It drew, and less than its start threshold."""
    head = attempt.head
    peak, start = head.number("peak") or 0.0, head.number("start_amps") or 0.0
    found = Verdict(
        "under_threshold",
        f"{spoken(scene.name)} drew {amps(peak)} at most from {at_clock(attempt.start_ms)} to "
        f"{at_clock(attempt.end_ms)} "
        f"({lasting(head.number('lasted') or 0.0)}), {amps(start - peak)} below its start_amps of {amps(start)}: it "
        f"was "
        "not taken for running, no gate was told and the collector stayed as it was",
        [head.line],
    )
    catch_the_cut(scene, attempt, found)
    return found


def _too_short(scene: Scene, attempt: Attempt) -> Verdict:
    """It reached its threshold, and not for long enough."""
    head = attempt.head
    above, wanted = head.number("above_for") or 0.0, head.number("start_after") or 0.0
    found = Verdict(
        "too_short",
        f"{spoken(scene.name)} drew {amps(head.number('peak') or 0.0)} at {at_clock(attempt.start_ms)}, above its "
        f"start_amps "
        f"of {amps(head.number('start_amps') or 0.0)}, but for {lasting(above)} at the longest; its start_after wants "
        f"{lasting(wanted)}: it was not taken for running",
        [head.line],
    )
    catch_the_cut(scene, attempt, found)
    return found


def _not_confirmed(scene: Scene, attempt: Attempt) -> Verdict:
    """It reached its threshold after a silence, and what it said could have been held back since before."""
    head = attempt.head
    return Verdict(
        "not_confirmed",
        f"{spoken(scene.name)} drew {amps(head.number('peak') or 0.0)} at {at_clock(attempt.start_ms)}, at or above "
        f"its start_amps of {amps(head.number('start_amps') or 0.0)}, for {lasting(head.number('above_for') or 0.0)}; "
        "but its sensor or the broker had been silent before, so that this could have been held back since, and no "
        "second reading a second later, none below it a second before and no time of its own showed that it was new",
        [head.line],
        next_step=f"Let the sensor speak once a second, or give [tool.{scene.name}] current an at (when it was "
        "measured) or a poll; for a sensor that speaks only on change set silent_after = 0.",
    )


def _muted(scene: Scene, attempt: Attempt) -> Verdict:
    return standing.muted_by(scene, attempt.head)


def _rejected(scene: Scene, attempt: Attempt) -> Verdict:
    """Its message could not be used."""
    head = attempt.head
    others = sum(1 for one in scene.lines if one.text("tool") == scene.name and one.is_(Happened.READING_REJECTED))
    more = f", {others} times within the time looked at" if others > 1 else ""
    if head.text("rule") == Rule.RETAINED:
        return Verdict(
            "retained",
            f"the reading of {spoken(scene.name)} at {at_clock(head.ms)} ({amps(head.number('amps') or 0.0)}) was "
            f"one that "
            f"the broker had kept{more}: its age is unknown, so it is shown and starts nothing",
            [head.line],
            next_step="Let the sensor publish its readings without the retain flag; a live reading counts at once.",
        )
    if head.text("rule") == Rule.MAX_AGE:
        return Verdict(
            "too_old",
            f"the reading of {spoken(scene.name)} at {at_clock(head.ms)} was refused{more}: {head.text('why')}; what "
            "its device has held back starts nothing",
            [head.line],
            next_step=f"Look at the device's network; max_age of [tool.{scene.name}] current says how old one may be.",
        )
    return Verdict(
        "rejected",
        f"the reading of {spoken(scene.name)} at {at_clock(head.ms)} was rejected{more}: {head.text('why')}"
        + (f", found {head.text('shown')!r}" if head.text("shown") else "")
        + "; what cannot be read changes nothing and starts nothing",
        [head.line],
        next_step=f"Look at what the sensor publishes, and at [tool.{scene.name}] current: topic, pointer, scale.",
    )


def _quiet(scene: Scene) -> Verdict:
    """No rise worth a finding: what the readings say."""
    name = spoken(scene.name)
    pieces = readings(scene.folder, scene.name, scene.at_ms - _LOOKED_MS, scene.at_ms + _LOOKED_MS)
    peaks = [found for piece in pieces if (found := piece.peak()) is not None]
    at = scene.shop.tool_at(scene.name)
    start = scene.shop.tools[at].start_amps if at is not None else 0.0
    if not peaks:
        return Verdict(
            NOTHING,
            f"nothing is known of {name} around {at_clock(scene.at_ms)}: no event in the log, and no reading recorded",
            next_step=f"Give another time with --at, or look at the log: gatehand log --tool {scene.name}",
        )
    when, peak = max(peaks, key=itemgetter(1))
    count = sum(len(piece.track) for piece in pieces)
    return Verdict(
        "under_threshold" if peak < start else NOTHING,
        f"{name} drew {amps(peak)} at most around {at_clock(scene.at_ms)} (at {at_clock(when)}, {count} readings "
        f"from two "
        f"minutes before to two minutes after); its start_amps is {amps(start)}: as far as its sensor says, it did "
        f"not run",
        next_step="If it did run, its sensor sits on the wrong wire or answers on another topic: gatehand exercise.",
    )
