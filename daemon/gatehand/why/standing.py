"""What was so at the moment, whatever the tool did: its sensor silent, the tool muted or not yet known."""

from gatehand.journal.sentences.fill import lasting, spoken
from gatehand.why.scene import Scene, Stamped
from gatehand.why.verdict import Verdict, amps, at_clock
from gatehand_rules.findings import Happened, Rule
from gatehand_rules.state import ToolMuted, ToolSilent, ToolState, ToolUnknown


def _state(scene: Scene) -> ToolState | None:
    if scene.memory is None:
        return None
    at = scene.memory.shop.tool_at(scene.name)
    return None if at is None else scene.memory.state.tools[at]


def _last(scene: Scene, *events: str) -> Stamped | None:
    """The tool's last line of these events at or before the moment."""
    return next(
        (one for one in scene.in_this_run(scene.at_ms) if one.text("tool") == scene.name and one.is_(*events)), None
    )


def silent(scene: Scene) -> Verdict | None:
    """Its sensor said nothing at the moment."""
    state = _state(scene)
    if state is not None and not isinstance(state, ToolSilent):
        return None
    if scene.memory is None and not _silent_by_log(scene):
        return None
    fell = _last(scene, Happened.TOOL_SILENT)
    if fell is None:
        return None
    again = next(
        (
            one
            for one in scene.lines
            if one.ms > scene.at_ms and one.is_(Happened.TOOL_HEARD) and one.text("tool") == scene.name
        ),
        None,
    )
    until = (
        f"it was heard again at {at_clock(again.ms)}" if again else "it has not been heard again in the time looked at"
    )
    by = (
        "its own will said that it was gone"
        if fell.text("rule") == Rule.OFFLINE
        else f"it had said nothing for {lasting(fell.number('silent_after') or 0.0)} (silent_after)"
    )
    return Verdict(
        "silent",
        f"the sensor of {spoken(scene.name)} was silent from {at_clock(fell.ms)}: {by}; {until}. A silent sensor "
        f"starts "
        "nothing",
        [fell.line, *([again.line] if again else [])],
        next_step="Look at the sensor's power and network; a sensor that speaks only on change wants silent_after = 0.",
    )


def _silent_by_log(scene: Scene) -> bool:
    last = _last(scene, Happened.TOOL_SILENT, Happened.TOOL_HEARD)
    return last is not None and last.is_(Happened.TOOL_SILENT)


def muted(scene: Scene) -> Verdict | None:
    """A hand, or its run limit, had said not to serve it."""
    if not isinstance(_state(scene), ToolMuted):
        return None
    line = _last(scene, Happened.TOOL_MUTED)
    return None if line is None else muted_by(scene, line)


def muted_by(scene: Scene, line: Stamped) -> Verdict:
    """Why it was muted."""
    name = spoken(scene.name)
    if line.text("rule") == Rule.RUN_LIMIT:
        return Verdict(
            "run_limit",
            f"{name} was muted at {at_clock(line.ms)}: it had drawn without a pause for its run_limit, which is "
            f"taken for a "
            "stuck sensor",
            [line.line],
            next_step=f"Look at the sensor; if the tool does run that long, raise run_limit in [tool.{scene.name}].",
        )
    return Verdict(
        "muted",
        f"{name} was muted by hand at {at_clock(line.ms)}: somebody pressed a gate's button while it ran, so it is not "
        f"served until its current has fallen below its stop_amps ({amps(line.number('stop_amps') or 0.0)})",
        [line.line],
        next_step="Let the tool stop; its next start counts. A hand ranks above automation; no setting changes this.",
    )


def blind(scene: Scene) -> Verdict | None:
    """Nothing live has told yet whether it runs."""
    state = _state(scene)
    if not isinstance(state, ToolUnknown):
        return None
    told = "between its two thresholds" if state.amps is not None else "none at all"
    return Verdict(
        "unknown",
        f"since Gatehand started, no live reading of {spoken(scene.name)} has told whether it runs ({told}): it starts "
        "nothing until it has been seen below its stop_amps",
        next_step="Look at what its sensor publishes: gatehand watch.",
    )
