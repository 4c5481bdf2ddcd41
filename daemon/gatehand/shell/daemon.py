"""The process around the engine: event loop, session, log, recorder, config watch, service manager. No rule in here.

`Daemon` needs no signals and no command line, so that the demo runs the same one; `commands/run.py` adds those.
"""

import asyncio
import os
import socket
from collections.abc import Callable
from contextlib import suppress
from functools import partial
from pathlib import Path
from typing import Final

from gatehand import own_version
from gatehand.config import Config, Loaded
from gatehand.homie.homie_session import shown_as_homie
from gatehand.journal.clock import Clock, SystemClock
from gatehand.journal.disk import Disk
from gatehand.journal.line import OwnEvent, Stamper, new_run
from gatehand.journal.threads import Health, call_in
from gatehand.journal.writer import EventLog
from gatehand.mqtt.failures import Patience
from gatehand.mqtt.session import Session
from gatehand.mqtt.settings import broker_settings
from gatehand.mqtt.stalled_loop import Pulse
from gatehand.mqtt.transport import MessageKind, Outgoing, Subscription
from gatehand.recording.recorder import Recorder
from gatehand.shell import own_alarms
from gatehand.shell.active_config import ActiveConfig
from gatehand.shell.alarms import ShownAlarm
from gatehand.shell.claim import Claim, Doorkeeper
from gatehand.shell.config_reload import Reloader
from gatehand.shell.engine import Engine
from gatehand.shell.ports import Diagnostics, Timer
from gatehand.shell.service import notify
from gatehand.shell.state_file import StateFile
from gatehand.shell.state_folder import OffNotes, write_notes
from gatehand.shell.stops_connection import StopsConnection
from gatehand.times import stamp
from gatehand_rules.findings import Alarm

BEAT: Final = 1.0
"""Seconds between two looks at everything that no message brings."""
BEAT_TOPIC: Final = "daemon/beat"
"""Below the base: said at each beat, not retained."""
LOOK_EVERY: Final = 2
"""Beats between two looks at the config file."""


class Daemon:
    """One daemon for one config. `run` until `stop`.

    Args:
        loaded: a config without errors.
        diagnose: a line for whoever looks at the service.
        disk: where the log goes; None: the machine's.
        patience: the session's waits.
        state: the folder of `state.json`, whose lock the caller has; None: nothing outlives this daemon.
    """

    def __init__(
        self,
        loaded: Loaded,
        diagnose: Diagnostics,
        *,
        disk: Disk | None = None,
        patience: Patience | None = None,
        state: Path | None = None,
    ) -> None:
        self._loaded = loaded
        self._state = state
        self._diagnose = diagnose
        self._disk = disk
        self._patience = patience
        self._stop = asyncio.Event()
        self._look = asyncio.Event()
        self._why = "asked to"
        self.yields_to: Claim | None = None
        """The daemon that runs the shop, for which this one has ended."""
        self.ready = asyncio.Event()
        """Connected, subscribed and settled for the first time."""
        self.engine: Engine | None = None
        """There once `run` has begun."""

    def stop(self, why: str = "asked to") -> None:
        """End `run` cleanly: collectors off, a goodbye to the broker, the log closed."""
        self._why = why
        self._stop.set()

    def ask_reload(self) -> None:
        """Read the config again, soon."""
        if self.engine is not None:
            self.engine.ask_reload("signal")
        self._look.set()

    async def run(self) -> None:
        """Run the shop until `stop` is called.

        Raises:
            LogFolderError: the log cannot be written where the config says.
            NoSecretError: the broker's password cannot be read.
        """
        active = ActiveConfig.of(self._loaded)
        config = active.config
        loop = asyncio.get_running_loop()
        settings = broker_settings(config, self._loaded.file)
        clock = SystemClock()
        stamper = Stamper(new_run(clock.wall()), clock)
        folder = self._loaded.file(config.log.folder)
        log = EventLog(
            folder,
            stamper=stamper,
            keep_days=config.log.keep_days,
            disk=self._disk,
            health=self._health(loop, own_alarms.log_trouble, own_alarms.LOG),
        )
        recorder = Recorder(
            folder,
            run=stamper.run,
            clock=clock,
            limit_mb=config.log.readings_limit_mb,
            health=self._health(loop, own_alarms.recording_trouble, own_alarms.RECORDING),
        )
        store = None if self._state is None else StateFile(self._state, loop=loop)
        door, pulse = _Door(), Pulse()
        starts = _starts(folder, clock)
        known = ", ".join(f"{name} {len(each)}" for name, each in starts.items())
        facts = {"version": own_version(), **({"starts": known} if starts else {})}
        log.append([stamper.note(OwnEvent.DAEMON_STARTED, clock.mono(), facts=facts)])
        self.engine = engine = Engine(
            active,
            stamper=stamper,
            log=log,
            recorder=recorder,
            timers=_LoopTimers(loop, pulse),
            transport=door,
            diagnose=self._diagnose,
            starts=starts,
            memory=store,
        )
        reloader = Reloader(engine, self._loaded, door, self._diagnose, on_news=partial(call_in, loop, self._look.set))
        if store is not None:
            reloader.on_taken = _keeping_notes(store, self._loaded, self._diagnose, loop)
            reloader.on_taken(config)
        base, first = config.broker.base, active.routes.first
        me = Claim(os.urandom(8).hex(), socket.gethostname() or "unknown", stamp(clock.wall()))
        keeper = Doorkeeper(me, base, engine, timers=_LoopTimers(loop, pulse), mono=loop.time, yields=self._yield_to)
        session = Session(settings, base, keeper, _together(first), patience=self._patience, pulse=pulse)
        stops = StopsConnection(engine, settings, base, patience=self._patience, pulse=pulse)
        keeper.line = session
        door.session, door.stops, door.keeper = session, stops, keeper
        keeper.before_open = lambda: stops.want(_apart(engine.active.routes.live))
        keeper.after_settled = lambda: self._settled(reloader)
        pulse.start()
        try:
            async with shown_as_homie(engine, settings, self._diagnose, self._patience, pulse):
                await self._work(engine, reloader, session, keeper, pulse)
        finally:
            pulse.stop()
            await stops.close()
            log.append([stamper.note(OwnEvent.DAEMON_STOPPED, clock.mono(), facts={"why": self._why})])
            recorder.close(round(clock.mono() * 1000))
            log.close()
            if store is not None:
                store.close()
            notify("STOPPING=1")

    def _health(self, loop: asyncio.AbstractEventLoop, make: Callable[[str], ShownAlarm], alarm: Alarm) -> Health:
        """Trouble of the disk, which may begin before the engine is there, as an alarm."""

        def on_change(trouble: str | None) -> None:
            if self.engine is None:
                return
            if trouble is None:
                self.engine.clear_alarm(alarm)
            else:
                self.engine.raise_alarm(make(trouble))

        return Health(loop, on_change)

    def _settled(self, reloader: Reloader) -> None:
        reloader.show()
        self.ready.set()

    def _yield_to(self, other: Claim) -> None:
        """Another daemon runs the shop: command nothing any more, not even off, and end."""
        self.yields_to = other
        text = f"a daemon on {other.host} has run this shop since {other.started}; this one commands nothing and exits"
        self._diagnose("error", text)
        self.stop(text)

    async def _work(
        self, engine: Engine, reloader: Reloader, session: Session, keeper: Doorkeeper, pulse: Pulse
    ) -> None:
        speaking = asyncio.ensure_future(session.run())
        beating = asyncio.ensure_future(self._beats(engine, reloader, keeper, pulse))
        stopping = asyncio.ensure_future(self._stop.wait())
        try:
            await asyncio.wait((speaking, beating, stopping), return_when=asyncio.FIRST_COMPLETED)
            notify("STOPPING=1")
            beating.cancel()
            if self.yields_to is None:
                engine.stop()
            if self._stop.is_set():  # else an error of ours has ended it, and what it claimed stays, for all to see
                keeper.leave()
            session.stop(quietly=self.yields_to is not None)
            await speaking
            if not self._stop.is_set():
                beating.result()  # it never ends by itself but by an error, which is the caller's to see
        finally:
            for task in (speaking, beating, stopping):
                task.cancel()
                with suppress(asyncio.CancelledError):
                    await asyncio.wait((task,))

    async def _beats(self, engine: Engine, reloader: Reloader, keeper: Doorkeeper, pulse: Pulse) -> None:
        """The control loop's pulse: READY, the watchdog and `<base>/daemon/beat` speak from here, after real progress.

        By the will alone a screen would show a frozen daemon's last word as today's for as long as the broker waits.
        """
        loop = asyncio.get_running_loop()
        alive = Outgoing(f"{engine.active.routes.base}/{BEAT_TOPIC}", b"1", MessageKind.EVENT)
        count, next_at, due = 0, loop.time() + BEAT, True
        last = ""
        while True:
            mishaps = engine.mishaps
            try:
                pulse.look()
                engine.beat()
                if count % LOOK_EVERY == 0 or self._look.is_set():
                    self._look.clear()
                    reloader.look()
            except Exception as error:  # noqa: BLE001 - the next beat may do better; the watchdog is not told
                engine.mishaps += 1
                self._diagnose("error", f"an error inside the daemon: {type(error).__name__}: {error}")
            if engine.mishaps == mishaps:
                status = f"STATUS={engine.summary()}"
                notify("WATCHDOG=1", *(("READY=1",) if count == 0 else ()), *((status,) if status != last else ()))
                last = status
                if due:
                    keeper.publish(alive)
            count += 1
            due = False
            try:
                async with asyncio.timeout_at(next_at):
                    await self._look.wait()  # whoever wakes it does so between two beats: the next is due as it was
            except TimeoutError:
                due, next_at = True, max(next_at + BEAT, loop.time())


def _starts(folder: Path, clock: Clock) -> dict[str, tuple[float, ...]]:
    """What the motors' budgets must know of the time before this start; an edit may set one within the hour."""
    from gatehand.journal.starts import starts_of_the_hour

    try:
        return starts_of_the_hour(folder, clock)
    except OSError:
        return {}  # the log's own trouble is told where it is written


def _apart(wanted: tuple[Subscription, ...]) -> tuple[Subscription, ...]:
    return tuple(each for each in wanted if each.apart)


def _together(wanted: tuple[Subscription, ...]) -> tuple[Subscription, ...]:
    return tuple(each for each in wanted if not each.apart)


class _Door:
    """The way out to the sessions, which are built after the engine that uses them."""

    session: Session | None = None
    stops: StopsConnection | None = None
    keeper: Doorkeeper | None = None

    def publish(self, outgoing: Outgoing) -> bool:
        return self.keeper is not None and self.keeper.publish(outgoing)

    def subscribe(self, wanted: tuple[Subscription, ...]) -> None:
        if self.session is not None:
            self.session.subscribe(_together(wanted))
        if self.stops is not None:
            self.stops.want(_apart(wanted))


def _keeping_notes(
    store: StateFile, loaded: Loaded, diagnose: Diagnostics, loop: asyncio.AbstractEventLoop
) -> Callable[[Config], None]:
    """What keeps `off.json` as the config in force has it, in the state's own thread."""

    def write(notes: OffNotes) -> None:
        """What cannot be written is said, and the state file's alarm is raised then."""
        try:
            write_notes(store.folder, notes)
        except Exception as error:  # noqa: BLE001 - said where somebody sees it
            why = getattr(error, "strerror", None) or error
            text = f"off.json cannot be written in {store.folder} ({why})"
            call_in(loop, partial(diagnose, "warning", text))

    return lambda config: store.also(partial(write, OffNotes.of(config, loaded)))


class _LoopTimers:
    """Timers of the event loop, whose clock is the monotonic one. None is let go unnoticed after a standstill."""

    def __init__(self, loop: asyncio.AbstractEventLoop, pulse: Pulse) -> None:
        self._loop = loop
        self._pulse = pulse

    def call_at(self, when: float, callback: Callable[[], None]) -> Timer:
        return self._loop.call_at(when, self._call, callback)

    def _call(self, callback: Callable[[], None]) -> None:
        self._pulse.look()
        callback()
