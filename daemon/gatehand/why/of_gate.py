"""A gate: why it did not open, or shut, or stands where it stands; and which `travel` would have been enough."""

from collections.abc import Callable
from typing import Final

from gatehand.journal.sentences import sentence
from gatehand.journal.sentences.fill import lasting, spoken
from gatehand.why.around import Around, around, with_gate
from gatehand.why.not_understood import could_not_be_used, last_rejected
from gatehand.why.scene import MINUTE_MS, Scene, Stamped
from gatehand.why.verdict import NOTHING, Verdict, at_clock
from gatehand_rules.findings import Happened
from gatehand_rules.shop import Gate
from gatehand_rules.words import Position

_NEAR_MS: Final = 5 * MINUTE_MS
_LONGEST_TENTHS: Final = 600
_TROUBLES: Final = (Happened.GATE_FAULT, Happened.COMMAND_VETOED, Happened.START_REFUSED, Happened.DEVICE_OFFLINE)
_MOVES: Final = (Happened.GATE_COMMANDED, Happened.GATE_OPEN, Happened.GATE_SHUT, Happened.GATE_BETWEEN)
_CUT_AFTER_MS: Final = 60_000


def verdict(scene: Scene) -> Verdict:
    """The case of a gate at a moment."""
    own = [one for one in scene.lines if one.text("gate") == scene.name]
    troubles = [one for one in own if one.is_(*_TROUBLES) and scene.distance(one.ms, one.ms) <= _NEAR_MS]
    nearest = min(troubles, key=lambda one: (scene.distance(one.ms, one.ms), -one.ms), default=None)
    if nearest is None:
        return _stands(scene)
    if nearest.is_(Happened.GATE_FAULT):
        return _fault(scene, nearest)
    case = "offline" if nearest.is_(Happened.DEVICE_OFFLINE) else nearest.text("rule") or "refused"
    said = sentence(nearest.line)
    return Verdict(
        "vetoed" if nearest.is_(Happened.COMMAND_VETOED) else case,
        f"at {at_clock(nearest.ms)}: {said}",
        [nearest.line],
        next_step="Its device's own will says that it is gone: look at its power and network."
        if nearest.is_(Happened.DEVICE_OFFLINE)
        else "",
    )


def _fault(scene: Scene, fault: Stamped) -> Verdict:
    waited = fault.number("waited") or 0.0
    told_ms = fault.ms - round(waited * 1000)
    found = Verdict(
        "gate_jammed",
        f"gate {spoken(scene.name)} was told to {'open' if fault.text('wanted') == 'open' else 'shut'} at "
        f"{at_clock(told_ms)} and had not reported it {lasting(waited)} later (travel "
        f"{lasting(fault.number('travel') or 0.0)}, {retries(fault)}): it counts as in fault",
        [fault.line],
        next_step="Look at the gate, its power and its end switches: gatehand exercise.",
    )
    if not_understood(scene, fault, found):
        return found
    until = _told_anew(scene, fault)
    here = around(scene.folder, told_ms, until)
    if here is not None and fault.text("wanted") == "open":
        # A tool that starts with the telling is refused or served with it.
        tool = next((one.text("tool") for one in scene.between(told_ms, told_ms) if one.is_(Happened.TOOL_STARTED)), "")
        gate_trials(here, scene.name, (tool, scene.collector), (told_ms, until), found)
    return found


def not_understood(scene: Scene, fault: Stamped, found: Verdict) -> bool:
    """Whether the gate did speak, and what it said could not be used: then the config or its device wants mending."""
    name = fault.text("gate")
    said = fault.text("says")
    if said:
        found.sentence += f"; its last word was {said!r}, which is neither the open nor the shut of [gate.{name}] state"
    else:
        last = last_rejected(scene, "gate", name, fault.ms)
        if last is None:
            return False
        found.sentence += f"; {could_not_be_used(last)}"
        found.findings.append(last.line)
    found.case = "gate_not_understood"
    found.next_step = f"Look at what the gate publishes, and at [gate.{name}] state: topic, pointer, open, shut."
    return True


def _told_anew(scene: Scene, fault: Stamped) -> int:
    """To when a report still answers the telling that ended in this fault."""
    until = fault.ms + _CUT_AFTER_MS
    later = (
        one.ms - 1
        for one in scene.between(fault.ms + 1, until)
        if one.is_(Happened.GATE_COMMANDED) and one.text("gate") == scene.name
    )
    return next(later, until)


def _stands(scene: Scene) -> Verdict:
    """No trouble near: where it is and since when."""
    last = next((one for one in scene.upto(scene.at_ms) if one.text("gate") == scene.name and one.is_(*_MOVES)), None)
    if last is None:
        return Verdict(NOTHING, f"the log knows nothing of gate {spoken(scene.name)} up to {at_clock(scene.at_ms)}")
    told = next(
        (one for one in scene.upto(last.ms) if one.text("gate") == scene.name and one.is_(Happened.GATE_COMMANDED)),
        None,
    )
    lines = [told.line] if told is not None and told is not last else []
    return Verdict(
        NOTHING,
        f"nothing asked gate {spoken(scene.name)} to move at {at_clock(scene.at_ms)}; the last of it: "
        + "; ".join(
            f"{at_clock(one.ms)} {sentence(one.line)}" for one in ((told, last) if lines and told else (last,))
        ),
        [*lines, last.line],
    )


def gate_trials(here: Around, name: str, whom: tuple[str, str], window: tuple[int, int], found: Verdict) -> None:
    """When the gate did report, and which `travel` would have started the collector without a refusal.

    `whom`: the tool (empty: any) and its collector; `window`: from the telling to when it would have been too late.
    """
    at = here.shop.gate_at(name)
    if at is None:
        return
    one = here.shop.gates[at]

    def served(tenths: int) -> bool:
        changed = with_gate(here.shop, name, travel=tenths / 10)
        return here.starts(changed, whom[1], window) and not (whom[0] and here.refused(changed, whom[0], window))

    if not one.reports:
        _shorter(one, served, found)
        return
    reported = here.reported(name, Position.OPEN, window[0])
    if reported is None:
        found.trials.append(
            f"gate {spoken(name)} did not report open in the time looked at: no travel would have helped"
        )
        return
    took = (reported - window[0]) / 1000
    late = took - one.travel
    found.case = "gate_late"
    after = f", {lasting(late)} after its travel of {lasting(one.travel)} ran out" if late > 0 else ""
    found.trials.append(f"gate {spoken(name)} reported open {lasting(took)} after it was told{after}")
    tenths = _least(int(one.travel * 10) + 1, _LONGEST_TENTHS, served)
    if tenths is None:
        found.trials.append("no longer travel would have started it: the work was over by then")
        return
    found.would_have_started["travel"] = tenths / 10
    found.trials.append(
        f"travel = {tenths / 10:g} in [gate.{name}] would have started it without a refusal; it is the shortest "
        f"that would"
    )


def _shorter(one: Gate, served: Callable[[int], bool], found: Verdict) -> None:
    """A gate that cannot report counts as open once its travel has passed: a shorter one would have been in time."""
    first_late = _least(0, int(one.travel * 10), lambda tenths: not served(tenths))
    if not first_late:
        return
    enough = (first_late - 1) / 10
    found.would_have_started["travel"] = enough
    found.trials.append(
        f"gate {spoken(one.name)} cannot report and counts as open after its travel of {lasting(one.travel)}: travel = "
        f"{enough:g} in [gate.{one.name}] would have started it, if the gate is really open by then; measure it with "
        "gatehand exercise"
    )


def retries(fault: Stamped) -> str:
    """How often it was told again."""
    count = round(fault.number("retries") or 0)
    return "1 retry" if count == 1 else f"{count} retries"


def _least(low: int, high: int, works: Callable[[int], bool]) -> int | None:
    """The least number that works, where all above one that works do too; None when `high` does not."""
    if low > high or not works(high):
        return None
    while low < high:
        middle = (low + high) // 2
        if works(middle):
            high = middle
        else:
            low = middle + 1
    return low
