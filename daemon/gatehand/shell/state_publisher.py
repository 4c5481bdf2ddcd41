"""What the daemon shows of itself: status messages and alarms, gathered as steps go by and published after them.

The engine says what happened and when it is time to show it; nothing here changes what the rules do.
"""

from collections.abc import Callable, Iterable
from typing import Final

from msgspec.structs import replace

from gatehand.journal.clock import Clock
from gatehand.journal.sentences import sentence_of
from gatehand.mqtt.transport import MessageKind, Notice, NoticeKind, Outgoing, Transport
from gatehand.shell import alarm_words
from gatehand.shell.active_config import ActiveConfig
from gatehand.shell.alarms import Alarms, ShownAlarm
from gatehand.shell.notebook import Notebook
from gatehand.shell.status import Moment, MoreOfStatus, Statuses, Subject, changed, subjects_of
from gatehand_rules.alarms import Alarm
from gatehand_rules.commands import ClearAlarm, RaiseAlarm
from gatehand_rules.findings import Fact, Finding, Happened
from gatehand_rules.state import State
from gatehand_rules.step import Outcome

_KINDS: Final = ("tool", "gate", "collector")
_DRIFT: Final = 0.1
"""Seconds that the clocks may drift apart before shown times follow."""


class StatePublisher:
    """Statuses and alarms of one daemon."""

    def __init__(
        self, active: ActiveConfig, clock: Clock, transport: Transport, notebook: Notebook, more: MoreOfStatus
    ) -> None:
        self._active = active
        self._clock = clock
        self._transport = transport
        self._notebook = notebook
        self._statuses = Statuses(active.routes.base, active.shop, notebook.hold_id, more)
        self.alarms = Alarms(active.routes.base)
        self._steps: list[tuple[State, Outcome]] = []
        self._at_once: dict[Subject, None] = {}
        self._readings: dict[Subject, None] = {}
        self._leftovers: list[Outgoing] = []
        self._refused: dict[str, None] = {}
        self._visible = False
        self._mirrors: list[Callable[[], None]] = []
        self._offset = clock.wall() - clock.mono()

    def changed(self, subjects: Iterable[Subject]) -> None:
        """Something else of theirs than the rules' state has changed: shown with the next `show`."""
        self._at_once.update((each, None) for each in subjects if self._statuses.knows(each))

    def take(self, before: State, outcome: Outcome) -> None:
        """What a step has come to; looked at with the next `show`, so that no command waits for it."""
        self._steps.append((before, outcome))

    def _look_at_steps(self) -> None:
        steps, self._steps = self._steps, []
        for before, outcome in steps:
            self._look_at(before, outcome)

    def _look_at(self, before: State, outcome: Outcome) -> None:
        for finding in outcome.findings:
            self._explain(finding)
        for command in outcome.commands:
            if isinstance(command, RaiseAlarm):
                self._raise(command.alarm, outcome.findings)
            elif isinstance(command, ClearAlarm):
                self.clear_alarm(command.alarm)
        if len(before.tools) == len(outcome.state.tools) and len(before.gates) == len(outcome.state.gates):
            dirty = changed(self._active.shop, before, outcome.state)
        else:
            dirty = subjects_of(self._active.shop)
        self._at_once.update(dirty)

    def note_reading(self, tool: str) -> None:
        """A reading that led to nothing: shown with the next beat."""
        self._readings["tool", tool] = None

    def show(self, state: State, now: float) -> None:
        """Publish what has changed."""
        self._look_at_steps()
        if self._visible:
            if self._at_once:
                subjects = [each for each in self._at_once if not self.withholds(each)]
                self._at_once = {each: None for each in self._at_once if self.withholds(each)}
                self._publish(self._statuses.messages(subjects, state, self._moment(now)))
            self._publish(self.alarms.take_messages(self._clock.mono()))
            leftovers, self._leftovers = self._leftovers, []
            self._publish(leftovers)
        for mirror in self._mirrors:
            mirror()

    def withholds(self, subject: Subject) -> bool:
        """Whether it is not to be shown yet: its hold is not on the disk."""
        return subject[0] == "collector" and self._notebook.withholds(subject[1])

    def show_also(self, mirror: Callable[[], None]) -> None:
        """Call this too whenever something may have changed: it shows the same elsewhere, and must not raise."""
        self._mirrors.append(mirror)

    def show_readings(self, state: State, now: float) -> None:
        """Publish the currents that have moved visibly since they were published."""
        readings, self._readings = self._readings, {}
        self._at_once.update((each, None) for each in readings if self._statuses.has_moved(each, state))
        self.show(state, now)

    def show_all(self, state: State, now: float) -> None:
        """A connection stands: publish everything, for the broker may have forgotten it."""
        self._visible = True
        self._statuses.forget_sent()
        self.alarms.say_all(self._clock.mono())
        self._at_once.update(subjects_of(self._active.shop))
        self.show(state, now)

    def hide(self) -> None:
        """No connection: nothing is published, and what changes is shown with the next one."""
        self._visible = False
        # The next connection says anew what stands in its way.
        self._refused.clear()
        self.clear_alarm(alarm_words.SUBSCRIPTIONS)
        self.clear_alarm(alarm_words.SAME_BASE)

    def swap(self, active: ActiveConfig) -> None:
        """Another shop."""
        self._look_at_steps()
        self._active = active
        self._leftovers.extend(self._statuses.reshape(active.shop))

    def reconcile(self, raised: frozenset[Alarm]) -> None:
        """The rules' alarms are these from now on; the shell's own stay."""
        self._look_at_steps()
        for alarm in list(self.alarms.standing.values()):
            if alarm.rule is not None and alarm.alarm not in raised:
                self.clear_alarm(alarm.alarm)

    def knows(self, subject: Subject) -> bool:
        """Whether the shop has it."""
        return self._statuses.knows(subject)

    def raise_alarm(self, alarm: ShownAlarm) -> None:
        """An alarm is shown from now on."""
        self.alarms.raise_(replace(alarm, since=self._clock.wall()), self._clock.mono())

    def acknowledge(self, alarm: str, by: str | None) -> bool:
        """Somebody has seen an alarm. False when it does not stand, or was acknowledged before."""
        return self.alarms.acknowledge(alarm, by, self._clock.wall(), self._clock.mono())

    def clear_alarm(self, alarm: Alarm) -> bool:
        """An alarm's cause is gone. False when it did not stand, or stands on for a while."""
        return self.alarms.clear(alarm, self._clock.mono())

    def pass_time(self) -> tuple[tuple[str, dict[str, Fact]], ...]:
        """Once a second; gives the log's events about alarms that come and go."""
        return self.alarms.pass_time(self._clock.mono())

    def found_retained(self, kind: str, name: str, topic: str) -> None:
        """A former run's message: emptied when there is nothing of that name any more."""
        if kind == "alarm":
            self.alarms.found_retained(name, self._clock.mono())
        elif kind in _KINDS and not self.knows((kind, name)):
            self._leftovers.append(Outgoing(topic, b"", MessageKind.STATUS))

    def on_notice(self, notice: Notice) -> None:
        """Two daemons on one base, and refused subscriptions until they are granted, stand as an alarm."""
        topic = notice.facts.get("topic")
        if notice.kind is NoticeKind.SAME_BASE:
            self.raise_alarm(alarm_words.same_base(notice.text))
        if not isinstance(topic, str):
            return
        if notice.kind is NoticeKind.SUBSCRIPTION_REFUSED and self._active.routes.is_needed(topic):
            self._refused[topic] = None
        elif notice.kind is NoticeKind.SUBSCRIPTION_GRANTED:
            self._refused.pop(topic, None)
        else:
            return
        if self._refused:
            self.raise_alarm(alarm_words.subscription_refused(tuple(self._refused)))
        else:
            self.clear_alarm(alarm_words.SUBSCRIPTIONS)

    def _explain(self, finding: Finding) -> None:
        if finding.event in (Happened.ALARM_RAISED, Happened.ALARM_CLEARED):
            return
        # Whose it is comes first; a gate's finding names its collector only for company.
        for kind, name in (("tool", finding.tool), ("gate", finding.gate), ("collector", finding.collector)):
            if name is not None:
                self._statuses.because((kind, name), sentence_of(finding))
                return

    def _raise(self, alarm: Alarm, findings: tuple[Finding, ...]) -> None:
        for finding in findings:
            if finding.event is Happened.ALARM_RAISED and ("alarm", alarm.id) in finding.facts:
                self.raise_alarm(alarm_words.shown(alarm, finding))
                return

    def _moment(self, now: float) -> Moment:
        # The distance of the clocks is kept while it drifts, so that a shown deadline does not dance.
        offset = self._clock.wall() - self._clock.mono()
        if abs(offset - self._offset) > _DRIFT:
            self._offset = offset
        return Moment(now, self._offset)

    def _publish(self, messages: list[Outgoing] | tuple[Outgoing, ...]) -> None:
        for message in messages:
            self._transport.publish(message)
