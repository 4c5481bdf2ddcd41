"""Cases that have nothing to do with the subject: the daemon did not run, the broker was away, the clock stepped."""

from gatehand.journal.line import CLOCK_STEPPED, DAEMON_STARTED, DAEMON_STOPPED, LOG_GAP
from gatehand.journal.sentences.fill import lasting
from gatehand.replay.compare import clock
from gatehand.why.scene import Scene, Stamped
from gatehand.why.verdict import Verdict
from gatehand_rules.findings import Happened

ALIVE_MS = 10_000
"""The daemon records a tick every second: silence for longer than this means that it was not there."""


def not_running(scene: Scene) -> Verdict | None:
    """The daemon did not run at the moment."""
    before, after, at = scene.before, scene.after, clock(scene.at_ms)[:19]
    if before is None:
        if after is None:
            return None
        return Verdict(
            "daemon_not_running",
            f"the log begins at {clock(after.ms)[:19]}: at {at} no Gatehand had run here yet, or its log is gone",
            [after.line],
        )
    back = f"; it started again at {clock(after.ms)[:19]}" if after and after.is_(DAEMON_STARTED) else ""
    if before.is_(DAEMON_STOPPED):
        why = before.text("why")
        return Verdict(
            "daemon_not_running",
            f"Gatehand was not running at {at}: it was stopped at {clock(before.ms)[:19]}{f' ({why})' if why else ''}"
            f"{back}; nothing was watched in between",
            [before.line, *([after.line] if back and after else [])],
            next_step="Start it as a service (deploy/), so that it comes back by itself.",
        )
    if not _died(scene, before):
        return None
    last = max(before.ms, scene.memory.last_ms if scene.memory else before.ms)
    return Verdict(
        "daemon_not_running",
        f"Gatehand was not running at {at}: it was last heard of at {clock(last)[:19]} and ended without a word "
        f"(a power cut, or it was killed){back}; nothing was watched in between",
        [before.line, *([after.line] if back and after else [])],
        next_step="Look at the machine's own journal for that time.",
    )


def _died(scene: Scene, before: Stamped) -> bool:
    """The run that was alive before the moment had ended by then, without saying so."""
    memory, after = scene.memory, scene.after
    recorded = memory is not None and memory.recording.head.run == before.text("run")
    if memory is not None and recorded:
        return scene.at_ms - memory.last_ms > ALIVE_MS
    # Without a recording only a new start tells, and then only that it was some time in between.
    return after is not None and after.is_(DAEMON_STARTED) and after.ms - before.ms > ALIVE_MS


def broker_away(scene: Scene) -> Verdict | None:
    """The broker was away at the moment."""
    state = scene.memory.state if scene.memory else None
    last = next(
        (
            one
            for one in scene.in_this_run(scene.at_ms)
            if one.is_(Happened.BROKER_LOST, Happened.BROKER_CONNECTED, DAEMON_STARTED)
        ),
        None,
    )
    if last is None or not last.is_(Happened.BROKER_LOST) or (state is not None and state.connected):
        return None
    again = next((one for one in scene.lines if one.ms > scene.at_ms and one.is_(Happened.BROKER_CONNECTED)), None)
    until = f"until {clock(again.ms)[11:19]}" if again else "and was not back within the time looked at"
    away = f" ({lasting((again.ms - last.ms) / 1000)})" if again else ""
    return Verdict(
        "broker_away",
        f"the broker was away from {clock(last.ms)[11:19]} {until}{away}: no reading came in and no command could "
        f"go out. "
        "What was commanded then is not delivered late",
        [last.line, *([again.line] if again else [])],
        next_step="Look at the broker and at the network between it and Gatehand.",
    )


def clock_step(scene: Scene) -> str | None:
    """A note when the wall clock stepped near the moment: a time remembered may stand elsewhere in the log."""
    for one in scene.lines:
        if one.is_(CLOCK_STEPPED):
            by = one.number("by_seconds") or 0.0
            way = "forward" if by > 0 else "back"
            return (
                f"the wall clock stepped {way} by {lasting(abs(by))} at {clock(one.ms)[11:19]}: a time that you "
                "remember may stand in the log that much off. Nothing is timed by that clock"
            )
    return None


def log_gap(scene: Scene) -> str | None:
    """A note when lines of the log are missing near the moment."""
    for one in scene.lines:
        if one.is_(LOG_GAP):
            lost = one.number("lost") or 0
            return (
                f"{lost:g} lines of the log were lost before {clock(one.ms)[11:19]}: what follows may be less than all"
            )
    return None
