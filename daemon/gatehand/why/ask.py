"""Asks: from a subject and a moment, or from neither, to the verdict and the story around it."""

from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path
from typing import Final

from gatehand.config import Config
from gatehand.journal.reader import EventReader
from gatehand.past.account import wall_ms
from gatehand.recording.format import EPOCH
from gatehand.why import of_collector, of_daemon, of_gate, of_tool
from gatehand.why.find import last_missed, moment_ms, nearest_missed
from gatehand.why.scene import Kind, Scene, Stamped, set_scene
from gatehand.why.unheard import unheard
from gatehand.why.verdict import Verdict
from gatehand_rules import Shop
from gatehand_rules.findings import Rule

_STORY_BEFORE_MS: Final = 30_000
_STORY_AFTER_MS: Final = 20_000
_NEAR_MS: Final = 600_000
_LONGEST: Final = 24


@dataclass(slots=True)
class Answer:
    """What `why` says."""

    scene: Scene
    verdict: Verdict
    story: list[Stamped]
    notes: list[str] = field(default_factory=list)
    at_the_end: str = ""
    """Of a collector asked about without a time: how it stands where the log ends."""


def ask(
    config: Config, shop: Shop, folder: Path, subject: tuple[Kind, str] | None, at: datetime | None
) -> Answer | None:
    """The answer; None when no moment was given and nothing in the log failed to happen.

    A collector asked about without a moment also says how it stands, which is often what is wanted.
    """
    at_the_end = ""
    if at is None:
        found = last_missed(config, EventReader(folder), subject)
        ends = _end_of_log(folder) if subject is not None and subject[0] == "collector" else None
        if found is not None:
            kind, name, line = found
            if ends is not None:
                at_the_end = of_collector.stands(set_scene(config, shop, folder, (kind, name), ends)).sentence
            subject, at = (kind, name), EPOCH + timedelta(milliseconds=moment_ms(line, wall_ms(str(line["ts"]))))
        elif ends is not None:
            at = ends
        else:
            return None
    chosen = subject or nearest_missed(config, EventReader(folder), at) or ("collector", next(iter(config.collector)))
    scene = set_scene(config, shop, folder, chosen, at)
    verdict = of_daemon.not_running(scene) or of_daemon.broker_away(scene) or _of_subject(scene)
    notes = [note for note in (of_daemon.clock_step(scene), of_daemon.log_gap(scene)) if note]
    notes += unheard(scene)
    return Answer(scene, verdict, _story(scene, verdict), notes, at_the_end)


def _end_of_log(folder: Path) -> datetime | None:
    last = next(EventReader(folder).backwards(), None)
    return None if last is None else EPOCH + timedelta(milliseconds=wall_ms(str(last["ts"])))


def _of_subject(scene: Scene) -> Verdict:
    return {"tool": of_tool.verdict, "gate": of_gate.verdict, "collector": of_collector.verdict}[scene.kind](scene)


def _story(scene: Scene, verdict: Verdict) -> list[Stamped]:
    """The lines around what the verdict rests on, and around the moment, that are about it."""
    times = [wall_ms(str(line["ts"])) for line in verdict.findings]
    near = [ms for ms in times if abs(ms - scene.at_ms) <= _NEAR_MS] or [scene.at_ms]
    start, end = min(near) - _STORY_BEFORE_MS, max(near) + _STORY_AFTER_MS
    kept = [one for one in scene.between(start, end) if _is_about(scene, one)]
    if len(kept) > _LONGEST:
        middle = min(near)
        kept = sorted(
            sorted(kept, key=lambda one: abs(one.ms - middle))[:_LONGEST],
            key=lambda one: (one.ms, one.number("seq") or 0),
        )
    return kept


def _is_about(scene: Scene, one: Stamped) -> bool:
    if one.text("rule") == Rule.REFRESH:
        return False
    tool, gate = one.text("tool"), one.text("gate")
    if scene.kind == "tool" and tool:
        return tool == scene.name
    if scene.kind in {"tool", "gate"} and gate:
        return gate in scene.gates()
    return not one.text("collector") or one.text("collector") == scene.collector
