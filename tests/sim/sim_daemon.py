"""One life of the daemon in the virtual shop: the real engine, log writer and outbox, and a session that reconnects.

It may end at any instant: `Killed` comes out of a publish or a log line, and nothing after it happens.
"""

from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from math import inf
from pathlib import Path
from random import Random

from sim_broker import RETRY, Link, Underway, VirtualBroker
from sim_disk import BOUND, MemoryDisk, VirtualLog
from sim_memory import SimMemory
from sim_stops import CONNECTION, VirtualStopsConnection
from sim_time import Clocks, DaemonTimers, Scheduler
from sim_words import Words
from support.in_memory import NoRecorder
from support.monitor import Monitor
from support.monitor_notes import Breach

from gatehand.config import Loaded
from gatehand.journal.line import OwnEvent, Stamper
from gatehand.journal.starts import starts_in
from gatehand.journal.threads import Health
from gatehand.journal.writer import EventLog
from gatehand.mqtt.transport import Connected, MessageKind, Outgoing, Subscription
from gatehand.shell import own_alarms
from gatehand.shell.active_config import ActiveConfig
from gatehand.shell.config_file import Seen
from gatehand.shell.config_reload import Reloader
from gatehand.shell.engine import Engine
from gatehand.shell.ports import RecorderPort
from gatehand_rules.step import Outcome

BUSY, IDLE = 20.0, 300.0
"""Seconds between two beats of the engine, by day and by night (the real one: 1 s)."""


LATEST = 0.5
"""Seconds that a command may leave or arrive after it was decided."""


MAIN = "main"
LOOKS = 2.0
"""Seconds between two looks at the config file, while there is something to see."""
STANDSTILL = 1.0
"""Seconds that the loop may stand without anybody taking what has waited for old."""
MOMENT = 0.021
"""Seconds since the broker's last word within which it counts as awake."""


class Killed(BaseException):
    """The process is dead from here on; no handler for mistakes may catch it."""


@dataclass
class Surroundings:
    """What a daemon lives in."""

    loaded: Loaded
    """The config file as it is when the daemon starts."""
    log_folder: Path
    memory: SimMemory
    clocks: Clocks
    scheduler: Scheduler
    broker: VirtualBroker
    disk: MemoryDisk
    monitor: Monitor
    random: Random
    is_night: Callable[[], bool]
    reachable: Callable[[], bool]
    """Whether a new connection would come about now."""
    told: list[tuple[float, str, str]]
    """Every command that left: when, topic, payload."""
    note: Callable[[str], None]
    """A line for the history."""
    on_record: list[tuple[str, float]]
    """Starts that the log has."""
    shown: Callable[[Engine, Outgoing], None]
    """Hears what the daemon publishes."""


class WatchedEngine(Engine):
    """The real engine; the monitor hears of another config before it is in force."""

    on_swap: Callable[[ActiveConfig], None]

    def swap(self, active: ActiveConfig, outcome: Outcome, changed: tuple[str, ...] = ()) -> None:
        """See `Engine`."""
        self.on_swap(active)
        super().swap(active, outcome, changed)


class VirtualFile:
    """The config file: the text that somebody has saved last, read and checked."""

    def __init__(self) -> None:
        self.saved: Loaded | None = None

    def look(self, *, anew: bool = False) -> Seen:
        """See `ConfigFile`."""
        del anew
        saved, self.saved = self.saved, None
        return Seen(saved)


class VirtualDaemon:
    """Begins at once. `kill` or `stop` ends it."""

    def __init__(self, around: Surroundings, run: str, recorder: RecorderPort | None = None) -> None:
        self._around = around
        self._clocks, self._scheduler = around.clocks, around.scheduler
        self.alive = True
        self.slow_until = self._slow_since = -inf
        self.die_at_next: str | None = None
        self._dies_at = inf
        """ "line" or "command": the process dies with the next one."""
        self._still: set[str] = set()
        """Connections that still bring what waited through a standstill."""
        self.late_acts: list[float] = []
        self.breaches: list[Breach] = []
        self._told: Counter[tuple[str, str]] = Counter()
        self._failures = 0
        self._wanted: tuple[Subscription, ...] = ()
        self._link: Link | None = None
        self._stopping = False
        stamper = Stamper(run, self._clocks)
        files = EventLog(
            around.loaded.file(around.log_folder),
            stamper=stamper,
            disk=around.disk,
            threaded=False,
            health=Health(None, self._on_log_health),
        )
        delay = self._delay_of_disk
        self.log = VirtualLog(files, self._clocks, self._scheduler, delay)
        self.log.appended = self._on_append
        self.log.waits_until = self._on_wait
        self.timers = DaemonTimers(self._scheduler, self._late, lambda: self.slow_until)
        self._stamper = stamper
        self._ill: str | None = None
        around.monitor.begin(self._clocks.now, around.on_record, around.loaded.config)
        self.log.append([stamper.note(OwnEvent.DAEMON_STARTED, self._clocks.mono(), facts={"version": "0"})])
        self.engine = WatchedEngine(
            ActiveConfig.of(around.loaded),
            stamper=stamper,
            log=self.log,
            recorder=recorder or NoRecorder(),
            timers=self.timers,
            transport=self,
            diagnose=lambda _level, _text, _facts=None: None,
            starts=starts_in([around.disk.lines_backwards()], self._clocks.wall(), self._clocks.mono()),
            memory=around.memory,
            elsewhere=lambda work: work(),
        )
        self.words = Words(lambda: self.engine.active.config, self._clocks, self._breach)
        self.log.said = self.words.lines
        self.engine.on_swap = self._on_swap
        self._file = VirtualFile()
        self.reloader = Reloader(
            self.engine, around.loaded, self, lambda _level, _text, _facts=None: None, elsewhere=lambda work: work()
        )
        self.reloader._file = self._file  # type: ignore[assignment]  # noqa: SLF001 - no disk in here
        self._wanted = self.engine.active.routes.first
        self._stops = VirtualStopsConnection(self, self._stops_link)
        self._stops.want(_apart(self._wanted))
        self._connect_soon(0.05)
        self._beat_soon()

    # The transport (see `Transport`)

    def publish(self, outgoing: Outgoing) -> bool:
        """Out through the link."""
        if self._link is None:
            return False
        self._around.shown(self.engine, outgoing)
        if outgoing.kind is MessageKind.STATUS:
            self.words.shown(outgoing.topic, outgoing.payload)
        return self._link.publish(outgoing)

    def subscribe(self, wanted: tuple[Subscription, ...]) -> None:
        """Listen to these."""
        self._wanted = wanted
        if self._link is not None:
            self._link.subscribe(_together(wanted))
        self._stops.want(_apart(wanted))

    # The config file

    def save(self, loaded: Loaded) -> None:
        """Somebody has saved it."""
        self._file.saved = loaded
        self._scheduler.at(self._clocks.now + LOOKS * self._around.random.random(), self._look_at_file)

    def _look_at_file(self) -> None:
        if not self.alive or self._stopping:
            return
        wait = LOOKS
        if self._clocks.now < self.slow_until:
            wait = self.slow_until - self._clocks.now
        else:
            self.reloader.look()
            if self.reloader._waiting is None:  # noqa: SLF001 - nobody needs to look until it is saved again
                return
        self._scheduler.at(self._clocks.now + wait, self._look_at_file)

    # Its end

    def kill(self, torn: float = 0.0) -> None:
        """SIGKILL. `torn`: the share of the line being written that reached the disk."""
        if not self.alive:
            return
        self._die()
        tail = self.log.end(killed=True, share=torn)
        self._around.disk.drop_process()
        if tail:
            self._around.disk.tear(tail)

    def stop(self, done: Callable[[], None]) -> None:
        """A clean stop: what has to leave leaves, then goodbye."""
        if not self.alive or self._stopping:
            return
        self._stopping = True
        self._around.monitor.asked_to_stop(self._clocks.now)
        self.engine.stop()

        def leave() -> None:
            if self.alive:
                self._die()
                self.log.stall(on=False)
                self.log.end(killed=False)
                self._around.disk.drop_process()
                done()

        self.log.append([self._stamper.note(OwnEvent.DAEMON_STOPPED, self._clocks.mono(), facts={"why": "asked to"})])
        self._scheduler.at(self._clocks.now + 0.05, leave)

    def slow(self, until: float) -> None:
        """The process gets no processor until then."""
        if self._clocks.now >= self.slow_until:
            self._slow_since = self._clocks.now
        self.slow_until = max(until, self.slow_until)
        self._around.monitor.suspended(self.slow_until)
        for line, link in self._lines():
            if not link.frozen:
                link.freeze()
                self._scheduler.at(until, lambda line=line, link=link: self._wake(line, link))  # type: ignore[misc]

    def _lines(self) -> list[tuple[str, Link]]:
        return [(line, link) for line, link in ((MAIN, self._link), (CONNECTION, self._stops.link)) if link is not None]

    def _wake(self, line: str, link: Link) -> None:
        """It gets the processor again: what has waited is old, until an answer to what is asked now."""
        stood = self._clocks.now - self._slow_since
        if self.alive and not link.closed and stood > STANDSTILL:
            self._around.note(f"the loop stood for {stood:.3f} s ({line})")
            self._still.add(line)
            self._around.monitor.stands_still(on=True)
            self.engine.stood_still(line, stood)
            link.thaw()
            link.ask(lambda: self.caught_up(line))
        else:
            link.thaw()

    def caught_up(self, line: str) -> None:
        """What had waited on this connection has been read, or went with it."""
        if self.alive and line in self._still:
            self._still.remove(line)
            if not self._still:
                self._around.monitor.stands_still(on=False)
            self.engine.caught_up(line)

    # What the stops' own connection needs

    def _stops_link(self, ear: VirtualStopsConnection) -> Link | None:
        if self._stopping or not self._around.reachable():
            return None
        broker = self._around.broker
        link = broker.stops_link = Link(broker, self._clocks, self._scheduler, ear)
        link.apart = True
        return link

    def later(self, wait: float, callback: Callable[[], None]) -> None:
        """Call in so many seconds."""
        self._scheduler.at(self._clocks.now + wait, callback)

    def still_for(self) -> float:
        """Seconds for which the process gets no processor yet."""
        return max(0.0, self.slow_until - self._clocks.now)

    def stops_lost(self) -> None:
        """The stop contacts are not heard."""
        self._around.monitor.stops_lost(self._clocks.now)

    def stops_heard(self) -> None:
        """They are, and what the broker retains of them has been read."""
        self._around.monitor.stops_heard()

    @property
    def link(self) -> Link | None:
        """The connection that stands, if any."""
        return self._link

    def _die(self) -> None:
        self.alive = False
        self.timers.end()
        self._around.monitor.died(self._around.memory.unwritten_since)
        self._around.memory.power_cut()
        self._around.monitor.begin(self._clocks.now)
        if self._link is not None:
            self._link.abort()
            self._around.broker.link = None
            self._link = None
        self._stops.end()
        self._around.broker.stops_link = None

    # Connections

    def _connect_soon(self, wait: float) -> None:
        self._scheduler.at(self._clocks.now + wait, self._connect)

    def _connect(self) -> None:
        if not self.alive or self._link is not None:
            return
        broker = self._around.broker
        if self._stopping or not self._around.reachable():
            self._connect_soon(RETRY[min(self._failures, len(RETRY) - 1)])
            self._failures += 1
            return
        link = self._link = broker.link = Link(broker, self._clocks, self._scheduler, self)
        link.left = self._on_left
        link.arrived = self._on_arrived
        link.on_end = self._on_end
        self._failures = 0
        self._around.monitor.connected(self._clocks.now)
        self._around.note("connected")
        self.engine.on_connected(Connected("5", "127.0.0.1", 1883))
        link.subscribe(_together(self._wanted))
        link.settle()

    def _on_end(self, reason: str) -> None:
        self._scheduler.at(self._clocks.now + 0.001, lambda: self._lost(reason))

    def _lost(self, reason: str) -> None:
        link = self._link
        if not self.alive or link is None:
            return
        if self._clocks.now < self.slow_until:
            self._scheduler.at(self.slow_until, lambda: self._lost(reason))
            return
        self._link = self._around.broker.link = None
        self.caught_up(MAIN)
        sure_until = link.sure_until
        self._around.monitor.lost(sure_until, self._clocks.now)
        self._around.note(f"connection lost ({reason}), sure until {sure_until:.3f}")
        if not self._stopping:
            self.engine.on_lost(reason, sure_until)
        self._connect_soon(RETRY[0])

    # What the link calls

    def on_connected(self, info: Connected) -> None:
        """Called by `_connect` itself."""
        del info

    def on_message(self, topic: str, payload: bytes, retained: bool, received: float) -> None:
        """A message for the engine, first under the monitor's eyes."""
        if not self.alive or self._stopping:
            return
        self._around.note(f"heard {topic} {payload!r}{' (retained)' if retained else ''}")
        self._around.monitor.heard(topic, payload, received, retained=retained)
        self.words.still = bool(self._still)
        self.words.heard(topic, payload, retained=retained)
        self.engine.on_message(topic, payload, retained, received)

    def on_settled(self) -> None:
        """What is retained has come."""
        if self.alive and not self._stopping:
            self.engine.on_settled()

    def on_lost(self, reason: str, heard_at: float) -> None:
        """Called by `_lost` itself."""
        del reason, heard_at

    def _on_left(self, outgoing: Outgoing, offered: float) -> None:
        if outgoing.kind is MessageKind.STATUS:
            return
        if self.die_at_next == "command" and self._around.random.random() < 0.5:
            raise Killed
        now = self._clocks.now
        self._around.told.append((now, outgoing.topic, outgoing.payload.decode()))
        self._around.note(f"told {outgoing.topic} {outgoing.payload!r}")
        self._log_first(outgoing, now)
        if outgoing.kind is MessageKind.ACT and now - offered > LATEST:
            self._breach("I6", f"{outgoing.topic} {outgoing.payload!r} left {now - offered:.3f} s after it was decided")
        self._around.monitor.left(outgoing.topic, outgoing.payload, now, offered)
        if self.die_at_next == "command":
            raise Killed

    def _on_arrived(self, underway: Underway, late: float) -> None:
        """What was written within a moment of the broker's last word may act late if it froze just then (known)."""
        if underway.outgoing.kind is not MessageKind.ACT or late <= LATEST:
            return
        if underway.silent_for <= MOMENT:
            self.late_acts.append(late)
        else:
            self._breach("I6", f"{underway.outgoing.topic} acts {late:.3f} s late")

    def _log_first(self, outgoing: Outgoing, now: float) -> None:
        """Nothing may leave while its explanation is younger than the bound and not on disk."""
        if outgoing.topic not in self._around.monitor.commands:
            return
        name, words = self._around.monitor.commands[outgoing.topic]
        word = words[outgoing.payload.decode()]
        self._told[name, word] += 1
        stalls = self.log.oldest is not None and now >= self.log.oldest + BOUND - 0.0011
        if self.log.unexplained(name, word, self._told[name, word]) and not stalls and self._ill is None:
            self._breach("log first", f"{name} told {word}, its explanation not on disk yet")

    def _on_swap(self, active: ActiveConfig) -> None:
        self._around.monitor.reconfigured(active.config, self._clocks.now)
        self.words.edited()

    def _breach(self, rule: str, text: str) -> None:
        self.breaches.append(Breach(self._clocks.now, rule, text))

    # The machine

    def _on_append(self) -> None:
        if self.die_at_next == "line":
            self.die_at_next = None
            self._dies_at = self._clocks.now + self._around.random.uniform(0, 0.012)
            self._scheduler.at(self._dies_at, self._killed)

    def _on_wait(self, until: float) -> None:
        if self._dies_at <= until:
            raise Killed

    def _killed(self) -> None:
        if self.alive:
            raise Killed

    def _delay_of_disk(self) -> float:
        return self._around.random.choice((0.0005, 0.002, 0.008))

    def _late(self) -> float:
        return self._around.random.choice((0.0, 0.001, 0.003))

    def _on_log_health(self, trouble: str | None) -> None:
        self._ill = trouble
        if not self.alive:
            return
        if trouble is None:
            self.engine.clear_alarm(own_alarms.LOG)
        else:
            self.engine.raise_alarm(own_alarms.log_trouble(trouble))

    def _beat_soon(self) -> None:
        wait = IDLE if self._around.is_night() else BUSY
        self._scheduler.at(self._clocks.now + wait, self._beat)

    def _beat(self) -> None:
        if not self.alive or self._stopping:
            return
        if self._clocks.now >= self.slow_until:
            self.engine.beat()
        self._beat_soon()


def _apart(wanted: tuple[Subscription, ...]) -> tuple[Subscription, ...]:
    return tuple(each for each in wanted if each.apart)


def _together(wanted: tuple[Subscription, ...]) -> tuple[Subscription, ...]:
    return tuple(each for each in wanted if not each.apart)
