"""The loop around the rules, without asyncio: a message or a deadline in, one step, then log, publish, show.

The engine's duties, in this order:

1. Give each event the time at which it was received, in whole milliseconds, never going back; record it.
2. Step. Whatever the rules raise is a mishap: every collector is switched off and held, and the engine goes on.
3. Log the findings; let the commands leave once they are written (`log_first`), in their order.
4. Never keep a command for later: what cannot leave now is dropped, and the rules hear of the lost connection.
5. Keep one timer at the rules' next deadline.
6. Show what has changed (`state_publisher`), after the commands.

Clock, timers, transport, log and recorder come from outside (`ports`), so that a simulation drives this very code.
"""

import math
from collections.abc import Mapping
from typing import Final

from gatehand.journal.line import OwnEvent, Stamper
from gatehand.mqtt.transport import Connected, Notice, Transport
from gatehand.shell.active_config import ActiveConfig
from gatehand.shell.alarms import ShownAlarm
from gatehand.shell.log_first import LogFirst, Sender
from gatehand.shell.notebook import Notebook
from gatehand.shell.own_alarms import internal_error
from gatehand.shell.own_topics import OwnTopics
from gatehand.shell.ports import Diagnostics, LogPort, Memory, RecorderPort, Timer, Timers
from gatehand.shell.repeats import Refusals
from gatehand.shell.rhythms import Rhythms
from gatehand.shell.state_publisher import StatePublisher
from gatehand.shell.suction_port import Elsewhere, SuctionsPort, suctions_for
from gatehand.shell.suction_watch import SuctionHeard
from gatehand.shell.unheard import Unheard
from gatehand.text import named
from gatehand_rules import Alarm, Fact, Happened, Outcome, State, collector_word, initial, step
from gatehand_rules import events as ev
from gatehand_rules.state import Held

AFTER_MISHAP: Final = "an internal error"
CLOCK_STEP: Final = 1.0
"""Seconds that wall time may stray from monotonic time between two beats."""
_PAUSE_AFTER_MISHAP: Final = 1.0
_OVERDUE: Final = 0.05


class Engine:
    """The heart of the daemon. A `Listener` for the transport; `beat` is to be called about once a second.

    Args:
        active: the config to work with.
        stamper: gives log lines their time, run and number; its clock is the engine's.
        log: where the lines go.
        recorder: what keeps the events for replay.
        timers: calls back at an instant.
        transport: carries the messages.
        diagnose: a line for whoever looks at the service.
        memory: what outlives the daemon; None: nothing does.
        elsewhere: works out what takes long and no command waits for.
    """

    def __init__(
        self,
        active: ActiveConfig,
        *,
        stamper: Stamper,
        log: LogPort,
        recorder: RecorderPort,
        timers: Timers,
        transport: Transport,
        diagnose: Diagnostics,
        starts: Mapping[str, tuple[float, ...]] | None = None,
        memory: Memory | None = None,
        elsewhere: Elsewhere | None = None,
    ) -> None:
        """`starts`: of each motor in the last hour, as `initial` takes them."""
        self.active = active
        """The config in use."""
        self._stamper = stamper
        self.clock = stamper.clock
        self._recorder = recorder
        self._timers = timers
        self._transport = transport
        self._diagnose = diagnose
        self._sender = Sender(self, transport)
        self._log_first = LogFirst(log, stamper, self._sender.send, diagnose)
        self.notebook = Notebook(memory or Memory(), self.clock, timers, self)
        """What is remembered beyond the daemon's end."""
        active.routes.found.update(self.notebook.heard)
        self.unheard = Unheard(active, self)
        """What was never heard, or never understood."""
        self.rhythms = Rhythms(active, self.notebook)
        """How often each tool's meter speaks."""
        self._now = self.clock.mono()
        self._elsewhere = elsewhere
        self.suctions: SuctionsPort = suctions_for(active, self, elsewhere)
        """The suction at each collector's inlet, of which the rules never hear."""
        self.publisher = StatePublisher(active, self.clock, transport, self.notebook, self._more)
        """What is shown."""
        self._refusals = Refusals()
        self._own_topics = OwnTopics(self, transport, diagnose)
        self.state = initial(active.shop, self._now, starts)
        """What the rules remember now."""
        self._timer: Timer | None = None
        self._timer_at: float | None = None
        self._wall_offset = self.clock.wall() - self.clock.mono()
        self.mishaps = 0
        """How often the rules or this engine failed; none is expected, ever."""
        self._still: set[str] = set()
        """Connections that still bring what waited through a standstill."""
        self._reload_asked: tuple[str, ...] = ()
        self._met = False
        self._carrying_out = False
        self._begin_recording()
        self.suctions.note_void()

    # The transport calls

    def on_message(self, topic: str, payload: bytes, retained: bool, received: float) -> None:
        """A message came."""
        events = self.active.routes.events(topic, payload, retained=retained, now=received)
        if events is None:
            self._own_topics.on_message(topic, payload, retained, received)
            return
        for place in self.active.routes.take_found_first():
            self.notebook.note_heard(place)
        for heard in self.active.routes.take_suctions():
            self._hear_suction(heard, received)
        for event in events:
            self.handle(event, received)
            self.rhythms.take(event, received, old=bool(self._still))

    def on_connected(self, info: Connected) -> None:
        """Connected and subscribed."""
        self._sender.connected()
        self._diagnose("info", f"connected to the broker at {info.host}:{info.port}", {"protocol": info.protocol})
        self.handle(ev.BrokerConnected())
        if not self._met:
            self._met = True
            # What our own file remembers as held, before anything that the broker says.
            self._hold_again(self.notebook.owed(self.active))
        for message in self.active.encoder.questions:
            self._sender.ask(message)

    def on_settled(self) -> None:
        """What the broker retains has come: from here on show our own state, and drop what only had to be looked at."""
        wanted = self._own_topics.on_settled()
        self.publisher.show_all(self.state, self.now())
        self._transport.subscribe(wanted)
        self.rhythms.settled()
        self.unheard.connected(up=True)
        self.suctions.connected(up=True)

    def on_lost(self, reason: str, heard_at: float) -> None:
        """The connection is gone."""
        self._diagnose("warning", f"lost the broker: {reason}", None)
        self.unheard.connected(up=False)
        self.rhythms.pause()
        self.publisher.hide()
        self.suctions.connected(up=False)
        self._own_topics.on_lost()
        self.handle(ev.BrokerLost(self._sender.lost(heard_at, self._now)))
        self._transport.subscribe(self.active.routes.first)

    def on_standstill(self, seconds: float) -> None:
        """The loop stood still: what comes on this connection is old for now."""
        self.stood_still("main", seconds)

    def on_caught_up(self) -> None:
        """What waited on this connection has been read."""
        self.caught_up("main")

    def stood_still(self, line: str, seconds: float) -> None:
        """The same of the connection named `line`, of those that bring events."""
        self._still.add(line)
        self.rhythms.pause()
        self.suctions.interrupt("the daemon was held up")
        self.handle(ev.LoopStood(seconds))

    def caught_up(self, line: str) -> None:
        """The rules take what comes for new again when every connection has been read."""
        if line in self._still:
            self._still.remove(line)
            if not self._still:
                self.handle(ev.LoopCaughtUp())

    def on_notice(self, notice: Notice) -> None:
        """Something about the connection that a person should know."""
        self._diagnose("warning", notice.text, notice.facts)
        self.note(str(notice.kind), {**notice.facts, "text": notice.text})
        self.publisher.on_notice(notice)
        self._show()

    # Events and time

    def handle(self, event: ev.Event, received: float | None = None) -> Outcome | None:
        """Give the rules one event, received at that monotonic time (None: now), and carry out what follows.

        Gives what they made of it; None when they failed.
        """
        now = self.now(received)
        before = self.state
        if type(event) is ev.Reading and not event.retained:
            self.publisher.heard_at["tool", event.tool] = now
        elif type(event) is ev.GateReport and not event.retained:
            self.publisher.heard_at["gate", event.gate] = now
        try:
            self._recorder.record(round(now * 1000), event, before)
            outcome = step(self.active.shop, before, event, now)
        except Exception as error:  # noqa: BLE001 - a fan must not be left on by a mistake of ours
            self._mishap(event, error, now)
            return None
        self.state = outcome.state
        if outcome.state.wake_at != self._timer_at:
            self._arm(outcome.state.wake_at, now)
        if outcome.findings or outcome.commands or type(event) is not ev.Reading:
            self._carry_out(before, outcome, now)
        else:
            self.publisher.note_reading(event.tool)
        return outcome

    def beat(self) -> None:
        """Once a second: time passes for the rules, counts that are due, the clock, what screens are shown."""
        now = self.now()
        self._watch_wall()
        for happened, facts in self.publisher.alarms.pass_time():
            self.note(happened, facts)
        for event in self.active.routes.rejections.overdue(now):
            self.handle(event)
        for facts in self._refusals.counted(now):
            self.note(OwnEvent.REFUSALS_COUNTED, facts)
        self.handle(ev.Tick())
        self.notebook.beat()
        self.publisher.changed((*self.unheard.beat(now), *self.rhythms.beat(), *self.suctions.beat(now)))
        self.publisher.show_readings(self.state, now)

    def stop(self) -> None:
        """A clean stop: the rules say what is switched off. The caller then ends the session."""
        self.handle(ev.ShutdownAsked())
        self.publisher.show_anew(self.state, self.now())
        self.notebook.close()

    def ask_reload(self, by: str) -> None:
        """Somebody wants the config read again; whoever reads it calls `take_reload_asked`."""
        self._reload_asked = (*self._reload_asked, by)

    def take_reload_asked(self) -> tuple[str, ...]:
        """Who has asked since the last call."""
        asked, self._reload_asked = self._reload_asked, ()
        return asked

    def summary(self) -> str:
        """How things stand, in one line for the service manager."""
        fans = ", ".join(
            f"{collector.name} {collector_word(seen)}"
            for collector, seen in zip(self.active.shop.collectors, self.state.collectors, strict=True)
        )
        alarms = len(self.publisher.alarms.raised)
        link = "" if self.state.connected else "no broker; "
        return f"{link}{fans}" + (f"; {named(alarms, 'alarm')}" if alarms else "")

    def raise_alarm(self, alarm: ShownAlarm) -> None:
        """An alarm of the shell's own is raised from now on."""
        if alarm.id not in self.publisher.alarms.raised:
            whose = {} if alarm.alarm.kind == "daemon" else {alarm.alarm.kind: alarm.alarm.name}
            self.note(Happened.ALARM_RAISED, {"alarm": alarm.id, "because": alarm.because, **whose})
        self.publisher.alarms.raise_(alarm)
        self._show()

    def clear_alarm(self, alarm: Alarm, why: str | None = None) -> None:
        """An alarm of the shell's own is over."""
        if self.publisher.alarms.clear(alarm):
            whose = {} if why is None else {alarm.kind: alarm.name, "over_because": why}
            self.note(Happened.ALARM_CLEARED, {"alarm": alarm.id, **whose})
        self._show()

    def note(self, event: str, facts: Mapping[str, Fact] | None = None) -> None:
        """A log line of the shell's own."""
        now = self.now()
        self._log_first.put([self._stamper.note(event, now, facts=facts)], (), now)
        self._show()

    def swap(self, active: ActiveConfig, outcome: Outcome, changed: tuple[str, ...] = ()) -> None:
        """Work by another config from now on; `outcome` is what the rules made of the present state (reshape).

        `changed` says key by key what differs, for the log.
        """
        active.routes.take_over(self.active.routes)
        asked_before = self.active.encoder.questions
        before, self.active, self.state = self.state, active, outcome.state
        self._carrying_out = True  # nothing of the new shop is to be shown before its commands have left
        try:
            self._begin_recording(changed)
            self.publisher.swap(active)
            self.unheard.swap(active)
            self.rhythms.swap(active)
            self.suctions = suctions_for(active, self, self._elsewhere, self.suctions)
            self.suctions.note_void()
            owed = self.notebook.owed(active)
        finally:
            self._carrying_out = False
        self._carry_out(before, outcome, self._now)
        self._hold_again(owed)
        self._arm(outcome.state.wake_at, self._now)
        self._transport.subscribe(self._own_topics.on_swap())
        for message in active.encoder.questions:
            if message not in asked_before:
                self._sender.ask(message)
        self.publisher.show_all(self.state, self._now)

    # Inside

    def _more(self, kind: str, name: str) -> Mapping[str, object]:
        """What a status says beyond the rules' state."""
        more = {**self.unheard.shown(kind, name), **self.rhythms.shown(kind, name)}
        return {**more, **self.suctions.shown(kind, name)}

    def _hear_suction(self, heard: SuctionHeard, received: float) -> None:
        """Recorded and watched; the rules are not given it."""
        now = self.now(received)
        if not heard.retained and not self._still:
            self.suctions.record(self._recorder, heard, now, self.state)
            self.suctions.take(heard, now)

    def _hold_again(self, owed: tuple[tuple[str, str], ...]) -> None:
        """Neither a restart nor an edit ends a hold."""
        for name, why in owed:
            at = self.active.shop.collector_at(name)
            if at is not None and not isinstance(self.state.collectors[at].phase, Held):
                self.handle(ev.HoldRemembered(name, why))
        self.notebook.in_step(self.active, self.state)

    def now(self, at: float | None = None) -> float:
        """The rules' time, monotonic seconds; `at`: as of that instant, but never going back."""
        now = self.clock.mono() if at is None else round(at * 1000) / 1000
        self._now = max(self._now, now)
        return self._now

    def _arm(self, wake_at: float | None, now: float) -> None:
        if self._timer is not None:
            self._timer.cancel()
        self._timer_at = wake_at
        # Rounded up: time comes in whole milliseconds, and a call a hair too early would be a call for nothing. A
        # deadline that is over already would be a mistake of the rules: it must not become a loop at full speed.
        when = None if wake_at is None else math.ceil(round(wake_at * 1000, 3)) / 1000
        when = now + _OVERDUE if when is not None and when <= now else when
        self._timer = None if when is None else self._timers.call_at(when, self._on_timer)

    def _on_timer(self) -> None:
        self._timer = self._timer_at = None
        self.handle(ev.Tick())
        if self._timer is None and self.state.wake_at is not None:
            self._arm(self.state.wake_at, self._now)

    def _carry_out(self, before: State, outcome: Outcome, now: float) -> None:
        outcome = self.unheard.explained(outcome)
        refusals, stamper = self._refusals, self._stamper
        lines = [stamper.finding(finding, now) for finding in outcome.findings if refusals.is_line(finding, now)]
        self._carrying_out = True  # a hold that this step began is not to be shown before it is remembered
        try:
            self._log_first.put(lines, outcome.commands, now)
            self.notebook.look(self.active, self.state)
            self.publisher.take(before, outcome)
            self.suctions.look(self.state, now)
        finally:
            self._carrying_out = False
        self._show()

    def _show(self) -> None:
        """After the commands, never before them."""
        if not self._carrying_out:
            self.publisher.show(self.state, self._now)

    def _watch_wall(self) -> None:
        offset = self.clock.wall() - self.clock.mono()
        step_by = offset - self._wall_offset
        self._wall_offset = offset
        if abs(step_by) > CLOCK_STEP:
            self._diagnose("warning", f"the wall clock stepped by {step_by:+.1f} s", {"by": round(step_by, 3)})
            self.note(OwnEvent.CLOCK_STEPPED, {"by_seconds": round(step_by, 3)})
            self._recorder.clock_stepped()

    def _begin_recording(self, changed: tuple[str, ...] = ()) -> None:
        shop = self.active.shop
        self._recorder.begin(self.active.text, [t.name for t in shop.tools], [c.name for c in shop.collectors])
        self.note(
            OwnEvent.CONFIG_LOADED,
            {
                "path": str(self.active.path),
                "tools": len(shop.tools),
                "gates": len(shop.gates),
                "collectors": len(shop.collectors),
                **({"changed": "; ".join(changed)} if changed else {}),
            },
        )

    # When the rules fail

    def _mishap(self, event: ev.Event, error: Exception, now: float) -> None:
        """Off first, by the shortest way; then hold every collector, so that the rules' state agrees with it."""
        self.mishaps += 1
        for message in self.active.encoder.off.values():
            self._transport.publish(message)
        text = f"the rules failed on {type(event).__name__}: {type(error).__name__}: {error}"
        self._diagnose("error", text, {"event": repr(event)})
        self.note(
            OwnEvent.INTERNAL_ERROR, {"on": type(event).__name__, "error": type(error).__name__, "text": str(error)}
        )
        try:
            self._hold_all(now)
        except Exception as again:  # noqa: BLE001 - the state itself is at fault: begin anew, still held
            self._diagnose("error", f"the state cannot be kept: {type(again).__name__}: {again}", None)
            self._begin_anew(now)
        self.publisher.alarms.raise_(internal_error(text))
        self._show()
        self._arm(now + _PAUSE_AFTER_MISHAP, now)

    def _hold_all(self, now: float) -> None:
        for at, collector in enumerate(self.active.shop.collectors):
            if not isinstance(self.state.collectors[at].phase, Held):
                self._step(ev.HoldAsked(collector.name, AFTER_MISHAP), now)

    def _begin_anew(self, now: float) -> None:
        """As at the daemon's start, but held: every device may be in any state."""
        connected, unheard = self.state.connected, self.state.stops_lost_at is not None
        spent = zip(self.active.shop.collectors, self.state.collectors, strict=True)
        self.state = initial(self.active.shop, now, {collector.name: seen.starts for collector, seen in spent})
        self._begin_recording()
        try:
            if connected:
                self._step(ev.BrokerConnected(), now)
            if unheard:
                self._step(ev.StopsLost(), now)
            for collector in self.active.shop.collectors:
                self._step(ev.HoldRemembered(collector.name), now)
        except Exception as error:  # noqa: BLE001 - nothing is left but an off whenever something comes
            self._diagnose("error", f"not even a new state can be made: {type(error).__name__}: {error}", None)
        self.publisher.reconcile(self.state.alarms)

    def _step(self, event: ev.Event, now: float) -> None:
        """One step whose failure is the caller's."""
        before = self.state
        self._recorder.record(round(now * 1000), event, before)
        outcome = step(self.active.shop, before, event, now)
        self.state = outcome.state
        self._carry_out(before, outcome, now)
