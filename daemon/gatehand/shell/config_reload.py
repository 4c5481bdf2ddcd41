"""A changed config while the daemon runs: read, check, build, swap at one step; else keep the last good one and say so.

The outcome is shown three ways: a log line, the alarm `config`, and the retained message `<base>/config`, by which
`gatehand reload` knows what came of it. What a swap means for what is running is the rules' business (`reshape`).

The file may change, vanish and hang: one look at a time, none in the control loop. A look may last as long as a mount
hangs. It is given to a thread that dies with the process; who waits for it counts the time, and begins no second one.
"""

from collections.abc import Callable
from typing import Final, TypeAlias

from msgspec import Struct, to_builtins
from msgspec.structs import replace

from gatehand.config import Config, Loaded, Problem
from gatehand.config.edits import edits
from gatehand.config.load import unreadable
from gatehand.config.signals import SENSORS
from gatehand.config.tables import StopTable
from gatehand.journal.line import OwnEvent
from gatehand.mqtt.transport import MessageKind, Outgoing, Transport
from gatehand.shell import own_alarms
from gatehand.shell.active_config import ActiveConfig
from gatehand.shell.alarms import ShownAlarm
from gatehand.shell.config_file import HANGS, LONGEST_LOOK, ConfigFile, Seen, in_a_thread
from gatehand.shell.engine import Engine
from gatehand.shell.ports import Diagnostics
from gatehand.text import json_bytes
from gatehand.times import stamp
from gatehand_rules.reshape import Rewired, adopt_shop, obstacles

_AT_RESTART: Final = ("broker", "log", "homie")
"""Tables that are taken at the daemon's next start only."""

_WITH_ONLINE: Final = ("tool", "gate", "collector", "stop")
_MOST_CHANGES: Final = 40
Elsewhere: TypeAlias = Callable[[Callable[[], None]], None]
"""Has something done outside the control loop, soon."""


class _Outcome(Struct):
    """What came of the last reading of the file."""

    at: float
    ok: bool = True
    problems: tuple[Problem, ...] = ()
    waits: tuple[str, ...] = ()
    at_restart: tuple[str, ...] = ()


class Reloader:
    """Reads the config again when it has changed or somebody asks."""

    def __init__(
        self,
        engine: Engine,
        loaded: Loaded,
        transport: Transport,
        diagnose: Diagnostics,
        *,
        elsewhere: Elsewhere = in_a_thread,
        on_news: Callable[[], None] = lambda: None,
    ) -> None:
        """`on_news` is called, maybe in another thread, when `look` has something to take before its next turn."""
        self._engine = engine
        self._path = loaded.path
        self._file = ConfigFile(loaded.path, loaded.text)
        self._transport = transport
        self._diagnose = diagnose
        self._elsewhere = elsewhere
        self._on_news = on_news
        self._looking_since: float | None = None
        """A look is under way."""
        self._seen: Seen | Exception | None = None
        """What it has come to; set by whoever looks."""
        self._asking: tuple[str, ...] = ()
        """On whose behalf it looks."""
        self._unreadable: str | None = None
        """Why the file cannot be read now, as was said."""
        self._waiting: Loaded | None = None
        self._asked: tuple[str, ...] = ()
        """The texts of those who asked for the last reading, given back in its outcome."""
        self._outcome = _Outcome(engine.clock.wall(), problems=loaded.problems)
        self._since = engine.clock.wall()
        self._changed: tuple[str, ...] = ()
        """What the config in force changed, against the one before."""
        self.on_taken: Callable[[Config], None] = lambda _config: None
        """Called with the config that is in force from now on."""

    def look(self) -> None:
        """Every two seconds and upon news: take what the last look has found, and begin another one. Never waits."""
        if self._looking_since is not None and self._seen is None:
            self._wait_for_the_look(self._looking_since)
            return
        news = self._take_seen()
        asked = self._engine.take_reload_asked()
        if not news or asked:
            self._begin_look(asked)
            self._take_seen()

    def _begin_look(self, asked: tuple[str, ...]) -> None:
        file, anew = self._file, bool(asked) or self._unreadable is not None

        def work() -> None:
            try:
                seen: Seen | Exception = file.look(anew=anew)
            except Exception as error:  # noqa: BLE001 - raised again in the control loop, where it is told
                seen = error
            self._seen = seen
            if seen != Seen():
                self._on_news()

        self._asking = asked
        self._looking_since = self._engine.now()
        try:
            self._elsewhere(work)
        except BaseException:
            self._looking_since = None
            raise

    def _take_seen(self) -> bool:
        """Act on what a look has found. False when there is none, or it has found nothing new."""
        seen, asked = self._seen, self._asking
        if seen is None:
            return False
        self._seen, self._looking_since, self._asking = None, None, ()
        if isinstance(seen, Exception):
            raise seen
        if seen.unreadable is not None:
            if asked or seen.unreadable != self._unreadable:
                self._tell_unreadable(seen.unreadable, asked)
        elif seen.loaded is not None:
            self._unreadable, self._waiting, self._asked = None, None, asked
            self._take(seen.loaded)
        elif self._waiting is not None and not seen.absent:
            self._take(self._waiting)
        return seen != Seen()

    def _wait_for_the_look(self, since: float) -> None:
        if self._engine.now() - since < LONGEST_LOOK:
            return
        asked = (*self._asking, *self._engine.take_reload_asked())
        self._asking = ()
        if asked or self._unreadable != HANGS:
            self._tell_unreadable(HANGS, asked)

    def show(self) -> None:
        """Publish the outcome, retained; on each new connection too."""
        outcome, active = self._outcome, self._engine.active
        body = {
            "ok": outcome.ok,
            "at": stamp(outcome.at),
            "file": str(self._path),
            "problems": to_builtins(outcome.problems),
            "waits_for": list(outcome.waits),
            "at_restart": list(outcome.at_restart),
            "asked": list(self._asked),
            "in_force_since": stamp(self._since),
            "changed": list(self._changed),
            **{f"{kind}s": len(getattr(active.config, kind)) for kind in ("tool", "gate", "collector")},
        }
        self._transport.publish(Outgoing(f"{active.routes.base}/config", json_bytes(body), MessageKind.STATUS))

    def _refuse(self, why: str, alarm: ShownAlarm, problems: tuple[Problem, ...], waits: tuple[str, ...] = ()) -> None:
        """The last good config stays in force, and everybody is told why."""
        self._outcome = _Outcome(self._engine.clock.wall(), ok=False, problems=problems, waits=waits)
        self._engine.note(
            OwnEvent.CONFIG_WAITS if waits else OwnEvent.CONFIG_REJECTED, {"path": str(self._path), "why": why}
        )
        self._engine.raise_alarm(alarm)
        self.show()

    def _tell_unreadable(self, why: str, asked: tuple[str, ...]) -> None:
        """One that waited is not taken while its file is not there."""
        self._unreadable, self._waiting, self._asked = why, None, asked
        text = f"{self._path} {why}"
        self._diagnose("error", f"the config {text}")
        self._refuse(text, own_alarms.config_unreadable(text), (unreadable(self._path, why),))

    def _wait(self, loaded: Loaded, waits: tuple[str, ...]) -> None:
        if self._waiting is not None and self._outcome.waits == waits:
            return
        self._waiting = loaded
        text = "; ".join(waits)
        self._diagnose("warning", f"config waits: {text}")
        self._refuse(text, own_alarms.config_waits(text), loaded.problems, waits)

    def _take(self, loaded: Loaded) -> None:
        """A config just read, or one that waits."""
        if (config := loaded.config) is None:
            problems = [str(problem) for problem in loaded.errors]
            for text in problems:
                self._diagnose("error", f"config not taken: {text}")
            self._refuse("; ".join(problems), own_alarms.config_rejected(problems), loaded.problems)
            return
        engine, before = self._engine, self._engine.active
        kept = {table: getattr(before.config, table) for table in _AT_RESTART}
        at_restart = tuple(table for table, was in kept.items() if was != getattr(config, table))
        active = ActiveConfig.of(replace(loaded, config=config.model_copy(update=kept)))
        rewired = _rewired(before.config, active.config)
        waits = obstacles(before.shop, active.shop, engine.state, engine.now(), rewired)
        if waits:
            self._wait(loaded, waits)
            return
        self._waiting = None
        if active.config != before.config or active.text != before.text:
            self._since, self._changed = engine.clock.wall(), _cut_short(edits(before.config, active.config))
            reshaped = adopt_shop(before.shop, active.shop, engine.state, engine.now(), rewired)
            engine.swap(active, reshaped, self._changed)
            self.on_taken(active.config)
        self._outcome = _Outcome(engine.clock.wall(), problems=loaded.problems, at_restart=at_restart)
        engine.clear_alarm(own_alarms.CONFIG)
        self._diagnose("info", f"config taken from {self._path}")
        if at_restart:
            tables = ", ".join(f"[{table}]" for table in at_restart)
            self._diagnose("warning", f"changes of {tables} are taken at the daemon's next start")
        self.show()


def _cut_short(changes: tuple[str, ...]) -> tuple[str, ...]:
    more = len(changes) - _MOST_CHANGES
    return changes if more <= 0 else (*changes[:_MOST_CHANGES], f"and {more} more")


def _rewired(before: Config, after: Config) -> Rewired:
    """Names whose commands or reports have other topics now."""
    by_topic = {fan.command.topic: name for name, fan in before.collector.items()}
    same = {name: by_topic[fan.command.topic] for name, fan in after.collector.items() if fan.command.topic in by_topic}
    renamed = {was: name for name, was in same.items() if was != name}
    heard = {_words_of(stop): name for name, stop in before.stop.items()}
    by_name = {name: name for name in after.collector if name in before.collector and name not in renamed}
    stops = {name: heard[_words_of(stop)] for name, stop in after.stop.items() if _words_of(stop) in heard}
    was_called = {"collector": {**by_name, **same}, "stop": {**{name: name for name in after.stop}, **stops}}

    def changed(kind: str, *keys: str) -> frozenset[str]:
        """Names of those whose signals of these keys are others now."""
        earlier = getattr(before, kind)
        return frozenset(
            name
            for name, table in getattr(after, kind).items()
            if (was := earlier.get(was_called[kind].get(name) if kind in was_called else name)) is not None
            and any(getattr(table, key) != getattr(was, key) for key in keys)
        )

    return Rewired(
        tools=changed("tool", *SENSORS),
        gates=changed("gate", "command", "state"),
        collectors=changed("collector", "command", "state", *SENSORS),
        buttons=changed("collector", "reset"),
        bins=changed("collector", "bin_full"),
        online=frozenset((kind, name) for kind in _WITH_ONLINE for name in changed(kind, "online")),
        renamed=renamed,
        stops=stops,
    )


def _words_of(stop: StopTable) -> tuple[str | None, ...]:
    """What tells one contact from another: where it speaks, and in which words."""
    return stop.topic, stop.pointer, stop.active, stop.clear
