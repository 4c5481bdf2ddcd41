"""What the rules cannot know of their own findings and alarms: the topic, what was said there, how long it is offline.

The rules know names, not topics. Where a device has not shown what it was told, or is silent, the cause is often that
it speaks in other words or on another topic, or is gone; the log's line and the alarm say so. Nothing here changes
what the rules do.
"""

from collections.abc import Mapping
from typing import TYPE_CHECKING, Final

from msgspec.structs import replace

from gatehand.config.signals import SENSORS, Signal
from gatehand.journal import witness_words
from gatehand.shell import alarm_words
from gatehand.shell.alarms import ShownAlarm
from gatehand.times import stamp
from gatehand_rules import Alarm, Fact, Finding, Happened, Outcome, Rule, collectors

if TYPE_CHECKING:
    from gatehand.shell.engine import Engine

Facts = tuple[tuple[str, Fact], ...]
_SPEAKS: Final = frozenset({"says", "beside"})
"""Facts of a silent sensor's alarm that say what its device says all the same."""
_EXPLAINED: Final = {
    Happened.TOOL_SILENT: "tool",
    Happened.GATE_FAULT: "gate",
    Happened.COLLECTOR_UNANSWERED: "collector",
}
_ALARMS: Final = {("tool", "silent"), ("gate", "fault"), ("collector", "no_answer")}
_AGES: Final = ("reported_ago", "motor_ago", "told_ago")


class Explainer:
    """Adds what the shell knows to what the rules have found. `engine`: whose config and alarms it looks at."""

    def __init__(self, engine: "Engine") -> None:
        self._engine = engine

    def explained(self, outcome: Outcome) -> Outcome:
        """The same, with more facts in the findings about devices that have not answered, are silent or speak again."""
        more = [self._more(finding) for finding in outcome.findings]
        if not any(more):
            return outcome
        each = zip(outcome.findings, more, strict=True)
        return replace(outcome, findings=tuple(replace(one, facts=(*one.facts, *facts)) for one, facts in each))

    def look(self, raised: Mapping[str, ShownAlarm]) -> None:
        """Once a second: an alarm of the rules whose cause shows itself only now says so."""
        for alarm in list(raised.values()):
            match alarm.alarm:
                case Alarm(kind="tool", what="silent"):
                    self._look_at_sensor(alarm)
                case Alarm(kind="collector", what="no_answer"):
                    self._look_at_fan(alarm)
                case Alarm(kind="gate", what="fault"):
                    self._look_at_gate(alarm)
                case _:
                    pass

    def of(self, kind: str, name: str) -> Facts:
        """What is known of a device beyond the rules: topics where nothing or nonsense came, how long it is gone."""
        match kind:
            case "tool":
                return self._of_sensor(name)
            case "gate":
                return (*self._of_gate(name), *self._offline(kind, name))
            case _:
                return (*self._of_fan(name), *self._offline(kind, name))

    def shown(self, kind: str, name: str) -> dict[str, str]:
        """For a status: `offline_since` (RFC 3339) while the device's own `online` says that it is gone."""
        alarm = Alarm(kind, name, "offline")
        if alarm not in self._engine.state.alarms:  # an alarm that comes and goes is shown for longer
            return {}
        shown = self._engine.publisher.alarms.raised.get(alarm.id)
        return {} if shown is None else {"offline_since": stamp(shown.since)}

    # Inside

    def _more(self, finding: Finding) -> Facts:
        if finding.event is Happened.TOOL_HEARD and finding.tool is not None:
            return self._of_silence(finding.tool)
        subject = self._subject(finding)
        return () if subject is None else self.of(*subject)

    def _of_silence(self, tool: str) -> Facts:
        """What its device said while its sensor was called silent, by the alarm that this ends; the key it left out."""
        alarm = self._engine.publisher.alarms.raised.get(Alarm("tool", tool, "silent").id)
        was = {} if alarm is None else _facts(alarm)
        found = "says" if "says" in was else "key" if "beside" in was else None
        return () if found is None else ((found, was[found]),)

    @staticmethod
    def _subject(finding: Finding) -> tuple[str, str] | None:
        kind = _EXPLAINED.get(finding.event)
        if kind is None and finding.event is Happened.ALARM_RAISED:
            alarm = Alarm.of(str(dict(finding.facts).get("alarm")))
            kind = alarm.kind if alarm is not None and (alarm.kind, alarm.what) in _ALARMS else None
        if kind == "tool" and finding.rule is not Rule.SILENT_AFTER:
            return None
        name = None if kind is None else getattr(finding, kind)
        return None if kind is None or name is None else (kind, name)

    def _signals(self, kind: str, name: str, *keys: str) -> list[Signal]:
        return [
            one
            for one in self._engine.active.config.signals()
            if (one.kind, one.name) == (kind, name) and one.key in keys and one.heard is not None
        ]

    def _of_sensor(self, tool: str) -> Facts:
        rejections = self._engine.active.routes.rejections
        for one in self._signals("tool", tool, *SENSORS):
            facts: Facts = (("topic", one.topic),)
            if (odd := rejections.odd.get(one.whose)) is not None:
                return (*facts, ("key", one.key), ("says", odd.bad.shown), ("wanted", odd.bad.why))
            if (bad := rejections.left_out.get(one.whose)) is not None:
                return (*facts, ("key", one.key), ("beside", bad.shown), ("wanted", bad.why))
            return facts if self._engine.notebook.was_heard(one.place) else (*facts, ("never_heard", True))
        return ()

    def _of_gate(self, gate: str) -> Facts:
        rejections = self._engine.active.routes.rejections
        for one in self._signals("gate", gate, "state"):
            bad = rejections.odd.get(one.whose)
            found = bad.bad if bad is not None else rejections.left_out.get(one.whose)
            if found is not None:
                return (("topic", one.topic), ("said", found.shown), ("wanted_there", found.why))
            if not self._engine.notebook.was_heard(one.place):
                return (("topic", one.topic),)
        return ()

    def _of_fan(self, collector: str) -> Facts:
        rejections, found = self._engine.active.routes.rejections, list[tuple[str, Fact]]()
        for one in self._signals("collector", collector, "state", *SENSORS):
            which = witness_words.SWITCH if one.key == "state" else witness_words.MOTOR
            odd = rejections.odd.get(one.whose)
            bad = odd.bad if odd is not None else rejections.left_out.get(one.whose)
            if bad is not None:
                found += [(f"{which}_key", one.key), (f"{which}_topic", one.topic)]
                found += [(f"{which}_said", bad.shown), (f"{which}_wanted", bad.why)]
            elif not self._engine.notebook.was_heard(one.place):
                found.append((f"{which}_topic", one.topic))
        return tuple(found)

    def _offline(self, kind: str, name: str) -> Facts:
        gone_for = self._engine.publisher.alarms.raised_for(Alarm(kind, name, "offline").id)
        return () if gone_for is None else (("offline_for", round(gone_for, 3)),)

    def _look_at_sensor(self, silent: ShownAlarm) -> None:
        """It was called silent, and its device speaks now: in words that are not understood, or of other things."""
        facts, was = dict(self._of_sensor(silent.alarm.name)), _facts(silent)
        if ("says" in facts and was.get("says") != facts["says"]) or ("beside" in facts and not _SPEAKS & was.keys()):
            self._say_anew(silent, {**was, **facts})

    def _look_at_gate(self, fault: ShownAlarm) -> None:
        """It was called faulty, and speaks now in words that are not understood."""
        facts, was = dict(self._of_gate(fault.alarm.name)), _facts(fault)
        if "said" in facts and was.get("said") != facts["said"]:
            self._say_anew(fault, {**was, **facts})

    def _look_at_fan(self, unanswered: ShownAlarm) -> None:
        """What watches the fan says something else than when the alarm was raised. Ages are those of then."""
        engine, was, name = self._engine, _facts(unanswered), unanswered.alarm.name
        at = engine.active.shop.collector_at(name)
        if at is None:
            return
        facts: dict[str, Fact] = {"told": was.get("told")}
        seen, shop = engine.state.collectors[at], engine.active.shop
        facts |= collectors.shown_by(shop.collectors[at], seen, engine.state.alarms, engine.now())
        facts |= dict(self.of("collector", name))
        if _case(facts) == _case(was):
            return
        raised_for = engine.publisher.alarms.raised_for(unanswered.id) or 0.0
        for key in _AGES:
            if isinstance(age := facts.get(key), int | float):
                facts[key] = round(age - raised_for, 3)
        self._say_anew(unanswered, facts)

    def _say_anew(self, alarm: ShownAlarm, facts: Mapping[str, Fact]) -> None:
        rule = alarm.rule or str(Rule.ANSWER)
        self._engine.raise_alarm(alarm_words.of_facts(alarm.alarm, Rule(rule), facts, self._engine.active.config))


def _facts(alarm: ShownAlarm) -> dict[str, Fact]:
    return {key: fact for key, fact in alarm.facts if isinstance(fact, Fact)}


def _case(facts: Mapping[str, Fact]) -> tuple[object, ...]:
    """What of it makes another sentence; ages and the numbers of a meter do not."""
    said = tuple(facts.get(f"{which}_said") for which in (witness_words.SWITCH, witness_words.MOTOR))
    seen = (facts.get("reported_on"), facts.get("drawing"), witness_words.says_on(facts), bool(facts.get("offline")))
    return (*said, *seen)
