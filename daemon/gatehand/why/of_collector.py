"""A collector: why it was off, or on, or did not obey."""

from dataclasses import replace
from typing import Final

from gatehand.journal.sentences import sentence
from gatehand.journal.sentences.fill import lasting, spoken
from gatehand.why import of_tool
from gatehand.why.not_understood import could_not_be_used, last_rejected, next_for_switch
from gatehand.why.scene import MINUTE_MS, Scene, Stamped
from gatehand.why.verdict import NOTHING, Verdict, at_clock
from gatehand_rules.findings import Happened, Rule

_NEAR_MS: Final = 5 * MINUTE_MS
_OWN: Final = (Happened.COLLECTOR_UNANSWERED, Happened.FAN_UNSAFE, Happened.COMMAND_VETOED, Happened.RESET_REFUSED)
_WANTED: Final = (Happened.START_MISSED, Happened.START_REFUSED)
ANSWERS_FOR: Final = frozenset((*_OWN, *_WANTED))
"""What it answers for; what a gate or a sensor of its did not do is asked of that."""
_SWITCHED: Final = (Happened.COLLECTOR_ON, Happened.COLLECTOR_OFF, Happened.COLLECTOR_ADOPTED, Happened.COLLECTOR_HELD)


def verdict(scene: Scene) -> Verdict:
    """The case of a collector at a moment."""
    near = [one for one in scene.lines if _is_of(scene, one) and scene.distance(one.ms, one.ms) <= _NEAR_MS]
    trouble = _nearest(scene, [one for one in near if one.is_(*_OWN)])
    wanted = _nearest(scene, [one for one in near if one.is_(*_WANTED) and one.text("tool")])
    if trouble is not None and (
        wanted is None or scene.distance(trouble.ms, trouble.ms) <= scene.distance(wanted.ms, wanted.ms)
    ):
        return _trouble(scene, trouble)
    if wanted is not None:
        # What the collector did not do, it did not do for a tool.
        return of_tool.verdict(replace(scene, kind="tool", name=wanted.text("tool")))
    return stands(scene)


def _is_of(scene: Scene, one: Stamped) -> bool:
    return one.text("collector") == scene.name


def _nearest(scene: Scene, lines: list[Stamped]) -> Stamped | None:
    return min(lines, key=lambda one: (scene.distance(one.ms, one.ms), -one.ms), default=None)


def _trouble(scene: Scene, one: Stamped) -> Verdict:
    unanswered = one.is_(Happened.COLLECTOR_UNANSWERED) and one.line.get("reported_on") is not True
    rejected = last_rejected(scene, "collector", scene.name, one.ms) if unanswered else None
    case, step = {
        Happened.COLLECTOR_UNANSWERED: ("no_answer", next_for_switch(scene, rejected)),
        Happened.FAN_UNSAFE: ("fan_against_shut_gates", "Look at which gate shut under the running fan, and why."),
        Happened.RESET_REFUSED: ("held", "Clear the cause first; then reset."),
        Happened.COMMAND_VETOED: ("vetoed", ""),
    }[Happened(str(one.line["event"]))]
    said = f"at {at_clock(one.ms)}: {sentence(one.line)}" + (f"; {could_not_be_used(rejected)}" if rejected else "")
    return Verdict(case, said, [one.line, *([rejected.line] if rejected else [])], next_step=step)


def stands(scene: Scene) -> Verdict:
    """Off or on, since when and by which rule."""
    own = (one for one in scene.upto(scene.at_ms) if _is_of(scene, one) and one.is_(*_SWITCHED))
    last = next((one for one in own if one.text("rule") != Rule.REFRESH), None)
    name = "the collector" if scene.name == "main" else f"collector {spoken(scene.name)}"
    if last is None:
        return Verdict(NOTHING, f"the log knows nothing of {name} up to {at_clock(scene.at_ms)}")
    seconds = round((scene.at_ms - last.ms) / 1000)
    since = lasting(float(seconds)) if seconds else "less than a second"
    if last.is_(Happened.COLLECTOR_OFF, Happened.COLLECTOR_HELD):
        held = last.is_(Happened.COLLECTOR_HELD) or last.text("rule") in {Rule.HOLD, Rule.STOP_CONTACT}
        return Verdict(
            "held" if held else NOTHING,
            f"{name} had been off for {since}: {at_clock(last.ms)} {sentence(last.line)}"
            + ("" if held else "; nothing asked for it since"),
            [last.line],
            next_step="When the cause is gone, reset the hold." if held else "",
        )
    stood = next((one.ms for one in own if one.is_(Happened.COLLECTOR_OFF, Happened.COLLECTOR_HELD)), 0)
    behind = [
        one
        for one in scene.between(max(last.ms - MINUTE_MS, stood), scene.at_ms)
        if _is_of(scene, one) and one.is_(Happened.TOOL_STARTED, Happened.HAND_STARTED, Happened.COLLECTOR_KEPT_ON)
    ]
    reasons = "; ".join(f"{at_clock(one.ms)} {sentence(one.line)}" for one in behind[-3:])
    return Verdict(
        "already_on",
        f"{name} had been on for {since}: {at_clock(last.ms)} {sentence(last.line)}"
        + (f"; {reasons}" if reasons else ""),
        [last.line, *(one.line for one in behind[-3:])],
    )
