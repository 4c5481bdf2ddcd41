"""What the daemon shows of itself: status messages and alarms, gathered as steps go by and published after them.

The engine says what happened and when it is time to show it. Nothing is decided here, and nothing remembered but since
when a state's word has been what it is, why, and what the broker has.
"""

from collections.abc import Callable, Iterable, Mapping
from typing import Final

from msgspec import Struct
from msgspec.structs import replace

from gatehand.journal.clock import Clock
from gatehand.journal.line import facts_of, is_repeat
from gatehand.journal.sentences import sentence_of
from gatehand.mqtt.transport import MessageKind, Notice, NoticeKind, Outgoing, Transport
from gatehand.shell import alarm_words, own_alarms
from gatehand.shell.active_config import ActiveConfig
from gatehand.shell.alarms import Alarms
from gatehand.shell.foresight import Foresight, nothing_ahead
from gatehand.shell.notebook import Notebook
from gatehand.shell.status_messages import (
    ClockPair,
    MoreOfStatus,
    Present,
    Subject,
    changed,
    confirmed_on,
    retold,
    status_of,
    steady,
    subjects_of,
)
from gatehand.text import json_bytes
from gatehand.times import stamp
from gatehand_rules import Alarm, CollectorWord, Finding, Happened, Outcome, State
from gatehand_rules.commands import ClearAlarm, RaiseAlarm

_KINDS: Final = ("tool", "gate", "collector")
_DRIFT: Final = 0.1
"""Seconds that the clocks may drift apart before shown times follow."""
AT_START: Final = "nothing has happened since the daemon's start"
_OF_ITSELF: Final[dict[str, str]] = {
    CollectorWord.OFF: "its coast-down has passed: the fan has stopped turning",
    CollectorWord.OPENING: "waits for its gates",
    CollectorWord.COAST_DOWN: "called off before it was switched on",
}
"""Phases that a collector comes to without a finding of its own."""
_NO_REASON: Final = frozenset({Happened.READING_REJECTED, Happened.MESSAGE_IGNORED, Happened.RESET_REFUSED})
"""What changed nothing: shown only where no reason of a state is known."""
_TURNS: Final = frozenset({Happened.COLLECTOR_RUNNING, Happened.COLLECTOR_STOOD})
_SEEN: Final = frozenset({*_TURNS, Happened.COLLECTOR_UNANSWERED})
"""What is only seen of a fan, and has places of its own in the status: no reason why it is on, off or held."""
VISIBLE: Final = 0.02
"""Share of the start threshold by which a reading must have moved to be shown anew: noise moves it less."""


class _Shown(Struct):
    """What is kept of one subject between messages."""

    word: str = ""
    since: float = 0.0
    because: str = AT_START
    explained: bool = True
    """`because` is newer than the word."""
    while_it_turns: bool = False
    """`because` says that the fan turns: once it is off that is over."""
    sent: Mapping[str, object] = {}
    """What was sent last, without what each message of a device changes."""
    reading: float | None = None
    """A tool's or a motor's reading as sent."""
    confirmed: float | None = None
    """Which switching on of a collector was confirmed last: a motor that trips owes the rules its answer anew."""


def _explains(finding: Finding, shown: _Shown) -> bool:
    """Whether it is the reason of a state, or at least more than is known of one; a fan that is off may still turn."""
    if finding.event in _TURNS and shown.word == CollectorWord.OFF:
        return True
    return finding.event not in _NO_REASON | _SEEN or shown.because == AT_START


class StatePublisher:
    """Statuses and alarms of one daemon. `more`: what else a status says."""

    def __init__(
        self, active: ActiveConfig, clock: Clock, transport: Transport, notebook: Notebook, more: MoreOfStatus
    ) -> None:
        self._active = active
        self._clock = clock
        self._transport = transport
        self._notebook = notebook
        self._more = more
        self._shown = {subject: _Shown() for subject in subjects_of(active.shop)}
        self.alarms = Alarms(active.routes.base, clock)
        self._at_once: dict[Subject, None] = {}
        self._readings: dict[Subject, None] = {}
        self.heard_at: dict[Subject, float] = {}
        """When a tool's or gate's sensor was last heard live, monotonic seconds."""
        self._leftovers: list[Outgoing] = []
        self._refused: dict[str, None] = {}
        self._visible = False
        self._mirrors: list[Callable[[], None]] = []
        self._offset = clock.wall() - clock.mono()
        self._foresight = Foresight()
        self._ahead = nothing_ahead(active.shop)

    def changed(self, subjects: Iterable[Subject]) -> None:
        """Something else of theirs than the rules' state has changed: shown with the next `show`."""
        self._at_once.update((each, None) for each in subjects if self.knows(each))

    def take(self, before: State, outcome: Outcome) -> None:
        """What a step has come to, once its commands have left; shown with the next `show`."""
        for finding in outcome.findings:
            self._explain(finding)
        for command in outcome.commands:
            if isinstance(command, RaiseAlarm):
                self._raise(command.alarm, outcome.findings)
            elif isinstance(command, ClearAlarm):
                self.alarms.clear(command.alarm)
            if isinstance(command, RaiseAlarm | ClearAlarm):
                self.changed([(command.alarm.kind, command.alarm.name)])  # whether its device is there is in its status
        self.changed(changed(self._active.shop, before, outcome.state))

    def note_reading(self, tool: str) -> None:
        """A reading that led to nothing: shown with the next beat."""
        self._readings["tool", tool] = None

    def show(self, state: State, now: float) -> None:
        """Publish what has changed."""
        if self._visible:
            self._look_ahead(state, now)
            if self._at_once:
                due, self._at_once = self._at_once, {each: None for each in self._at_once if self.withholds(each)}
                self._publish(self._statuses([each for each in due if each not in self._at_once], state, now))
            self._publish(self.alarms.take_messages())
            leftovers, self._leftovers = self._leftovers, []
            self._publish(leftovers)
        for mirror in self._mirrors:
            mirror()

    def _look_ahead(self, state: State, now: float) -> None:
        """What is foretold of each, and by which clock: whose future has changed is shown anew."""
        shop, before = self._active.shop, self._ahead
        self._ahead = self._foresight.look(shop, state, now)
        # The distance of the clocks is kept while it drifts, so that a shown deadline does not dance.
        offset = self._clock.wall() - self._clock.mono()
        if abs(offset - self._offset) > _DRIFT:
            self._offset = offset
            self.changed(self._shown)
        elif self._ahead is not before:
            self.changed(retold(shop, before, self._ahead))

    def withholds(self, subject: Subject) -> bool:
        """Whether it is not to be shown yet: its hold is not on the disk."""
        return subject[0] == "collector" and self._notebook.withholds(subject[1])

    def show_also(self, mirror: Callable[[], None]) -> None:
        """Call this too whenever something may have changed: it shows the same elsewhere, and must not raise."""
        self._mirrors.append(mirror)

    def show_readings(self, state: State, now: float) -> None:
        """Publish the readings that have moved visibly since they were published."""
        readings, self._readings = self._readings, {}
        self.changed(each for each in readings if self._has_moved(each, state))
        for collector in self._active.shop.collectors:  # what watches its fan may just have become old
            subject = ("collector", collector.name)
            if self._has_moved(subject, state):
                self._shown[subject].sent = {}
            self.changed((subject,))
        self.show(state, now)

    def show_all(self, state: State, now: float) -> None:
        """A connection stands: publish everything, for the broker may have forgotten it."""
        self._visible = True
        self.alarms.say_all()
        self.show_anew(state, now)

    def show_anew(self, state: State, now: float) -> None:
        """Publish every status, also where only a reading or its time has changed: at a stop it is the last."""
        for shown in self._shown.values():
            shown.sent = {}
        self.changed(self._shown)
        self.show(state, now)

    def hide(self) -> None:
        """No connection: nothing is published, and what changes is shown with the next one."""
        self._visible = False
        # The next connection says anew what stands in its way.
        self._refused.clear()
        self.alarms.clear(own_alarms.SUBSCRIPTIONS)
        self.alarms.clear(own_alarms.SAME_BASE)

    def swap(self, active: ActiveConfig) -> None:
        """Another shop: what stays keeps its past, what is gone is removed from the broker.

        A collector of another name stays what it was by its command topic.
        """
        was = self._shown
        by_topic = {fan.command.topic: name for name, fan in self._active.config.collector.items()}
        for name, fan in active.config.collector.items():
            past = was.get(("collector", by_topic.get(fan.command.topic, name)))
            if past is not None and ("collector", name) not in was:
                was["collector", name] = replace(past, sent={})
        self._active = active
        self._shown = {subject: was.get(subject, _Shown()) for subject in subjects_of(active.shop)}
        self._leftovers += (self._status(gone, b"") for gone in was if gone not in self._shown)

    def reconcile(self, raised: frozenset[Alarm]) -> None:
        """The rules' alarms are these from now on; the shell's own stay."""
        for alarm in self.alarms.raised.values():
            if alarm.rule is not None and alarm.alarm not in raised:
                self.alarms.clear(alarm.alarm)

    def knows(self, subject: Subject) -> bool:
        """Whether the shop has it."""
        return subject in self._shown

    def found_retained(self, kind: str, name: str, topic: str) -> None:
        """A former run's message: emptied when there is nothing of that name any more."""
        if kind == "alarm":
            self.alarms.found_retained(name)
        elif kind in _KINDS and not self.knows((kind, name)):
            self._leftovers.append(Outgoing(topic, b"", MessageKind.STATUS))

    def on_notice(self, notice: Notice) -> None:
        """Two daemons on one base, and refused subscriptions until they are granted, are shown as an alarm."""
        topic = notice.facts.get("topic")
        if notice.kind is NoticeKind.SAME_BASE:
            self.alarms.raise_(own_alarms.same_base(notice.text))
        if not isinstance(topic, str):
            return
        if notice.kind is NoticeKind.SUBSCRIPTION_REFUSED and self._active.routes.is_needed(topic):
            self._refused[topic] = None
        elif notice.kind is NoticeKind.SUBSCRIPTION_GRANTED:
            self._refused.pop(topic, None)
        else:
            return
        if self._refused:
            self.alarms.raise_(own_alarms.subscription_refused(tuple(self._refused)))
        else:
            self.alarms.clear(own_alarms.SUBSCRIPTIONS)

    # Inside

    def _explain(self, finding: Finding) -> None:
        if finding.event in (Happened.ALARM_RAISED, Happened.ALARM_CLEARED) or is_repeat(facts_of(finding)):
            return
        # Whose it is comes first; a gate's finding names its collector only for company.
        for kind, name in (("tool", finding.tool), ("gate", finding.gate), ("collector", finding.collector)):
            if name is not None:
                shown = self._shown.get((kind, name))
                if shown is not None and _explains(finding, shown):
                    shown.because, shown.explained = sentence_of(finding), True
                    shown.while_it_turns = finding.event is Happened.FAN_UNSAFE
                return

    def _raise(self, alarm: Alarm, findings: tuple[Finding, ...]) -> None:
        for finding in findings:
            if finding.event is Happened.ALARM_RAISED and ("alarm", alarm.id) in finding.facts:
                self.alarms.raise_(alarm_words.shown(alarm, finding, self._active.config))
                return

    def _has_moved(self, subject: Subject, state: State) -> bool:
        """Whether a tool's or a motor's reading is visibly another than the one last sent."""
        shop, shown = self._active.shop, self._shown.get(subject)
        kind, name = subject
        at = shop.tool_at(name) if kind == "tool" else None
        fan = shop.collector_at(name) if kind == "collector" else None
        if shown is None or (at is None and fan is None):
            return False
        least = shop.tools[at].start_at if at is not None else shop.collectors[fan].turns_at if fan is not None else 0.0
        value = self._reading_of(subject, state)
        if value is None or shown.reading is None:
            return value is not shown.reading
        return abs(value - shown.reading) >= VISIBLE * least

    def _statuses(self, subjects: Iterable[Subject], state: State, now: float) -> list[Outgoing]:
        """The messages of those subjects of which the broker has something else."""
        at, found = ClockPair(now, self._offset), []
        present = Present(self._active.shop, state, self._ahead, at)
        for subject in subjects:
            shown = self._shown.get(subject)
            if shown is None:
                continue
            fan = self._active.shop.collector_at(subject[1]) if subject[0] == "collector" else None
            if fan is not None and (confirmed := confirmed_on(state.collectors[fan])) is not None:
                shown.confirmed = confirmed
            heard_at, hold_id = self.heard_at.get(subject), self._notebook.hold_id
            word, facts = status_of(subject, present, hold_id, heard_at=heard_at, confirmed=shown.confirmed)
            if word != shown.word:
                over = shown.while_it_turns and word == CollectorWord.OFF
                if (over or not shown.explained) and subject[0] == "collector":
                    shown.because = _OF_ITSELF.get(word, shown.because)
                shown.word, shown.since, shown.explained = word, at.wall, False
            body = {"state": word, "since": stamp(shown.since), "because": shown.because, **facts}
            body |= self._more(*subject)
            told = steady(body)
            if told != shown.sent:
                shown.sent, shown.reading = told, self._reading_of(subject, state)
                found.append(self._status(subject, json_bytes(body)))
        return found

    def _reading_of(self, subject: Subject, state: State) -> float | None:
        if subject[0] == "collector":
            fan = self._active.shop.collector_at(subject[1])
            motor = None if fan is None else state.collectors[fan].motor
            return None if motor is None else motor.value
        at = self._active.shop.tool_at(subject[1]) if subject[0] == "tool" else None
        return None if at is None else state.tools[at].value

    def _status(self, subject: Subject, payload: bytes) -> Outgoing:
        return Outgoing(f"{self._active.routes.base}/{subject[0]}/{subject[1]}", payload, MessageKind.STATUS)

    def _publish(self, messages: Iterable[Outgoing]) -> None:
        for message in messages:
            self._transport.publish(message)
