"""The suction at each collector's inlet, watched beside the rules: alarms and a status of its own, never a command.

The rules are not given what is heard here, so what they decide cannot depend on it. What the ducts should give is
worked out in a thread for each new set of open gates; what comes of it is taken at the next beat.
"""

from collections.abc import Callable, Mapping
from functools import wraps
from typing import TYPE_CHECKING, Concatenate, Final, ParamSpec

from gatehand.config.signals import Signal
from gatehand.journal.line import OwnEvent
from gatehand.shell import own_alarms
from gatehand.shell.active_config import ActiveConfig
from gatehand.shell.baselines import Baselines
from gatehand.shell.expected_suction import Ducts, in_a_thread
from gatehand.shell.ports import RecorderPort
from gatehand.shell.suction_port import Elsewhere, Judgement
from gatehand.shell.suction_shown import Sensor, status
from gatehand.shell.suction_watch import (
    FRESH,
    HOLDS,
    LEAST,
    SELDOM,
    WINDOW,
    By,
    Ended,
    Expected,
    Gates,
    Level,
    Raised,
    SuctionHeard,
    Watch,
    Way,
    known_open,
    open_words,
)
from gatehand.times import stamp
from gatehand_rules import State

if TYPE_CHECKING:
    from gatehand.shell.engine import Engine

SILENT: Final = 60.0
"""Seconds without a reading from a sensor that has spoken, while its fan runs."""
P = ParamSpec("P")


def _harmless(does: Callable[Concatenate["Suctions", P], None]) -> Callable[Concatenate["Suctions", P], None]:
    """The same, but a mistake in it ends the watching, and nothing else: the shop's commands go on around it."""

    @wraps(does)
    def guarded(self: "Suctions", /, *args: P.args, **kwargs: P.kwargs) -> None:
        try:
            does(self, *args, **kwargs)
        except Exception as error:  # noqa: BLE001 - whatever it is, a watcher must not stand in the way
            self.give_up(_slip(error))

    return guarded


def _slip(error: Exception) -> str:
    return f"an error inside Gatehand ({type(error).__name__}: {error})"


class Suctions:
    """The sensors of one shop. `elsewhere` works out what ducts should give."""

    def __init__(self, active: ActiveConfig, engine: "Engine", elsewhere: Elsewhere = in_a_thread) -> None:
        self._engine = engine
        self._elsewhere = elsewhere
        self._sensors: dict[str, Sensor] = {}
        self._connected = False
        self._changed: list[tuple[str, str]] = []
        self._judged = Judgement(False, "")
        self._ducts = Ducts(active, elsewhere)
        self._active = active
        self._baselines = Baselines(engine.notebook)
        self._failed: str | None = None
        """What went wrong at the start, when the engine cannot yet be told."""
        self._records = True
        try:
            self._begin(active)
        except Exception as error:  # noqa: BLE001 - as in `_harmless`
            self._failed = _slip(error)

    # What the engine tells

    @_harmless
    def swap(self, active: ActiveConfig) -> None:
        """Another config: every watch starts anew."""
        for sensor in self._sensors.values():
            self._tell(sensor, sensor.watch.interrupt(self._engine.now(), "the config has changed"))
            self._speaks(sensor)
        self._ducts = Ducts(active, self._elsewhere)
        self._begin(active)

    def connected(self, *, up: bool) -> None:
        """The broker is there, or gone."""
        self._connected = up
        if not up:
            self.interrupt("the broker is away")

    @_harmless
    def interrupt(self, why: str) -> None:
        """What was heard so far says nothing any more."""
        now = self._engine.now()
        for sensor in self._sensors.values():
            sensor.runs_since = None
            self._tell(sensor, sensor.watch.interrupt(now, why))

    @_harmless
    def record(self, recorder: RecorderPort, heard: SuctionHeard, now: float, state: State) -> None:
        """Beside the events of the rules, which `state` is of."""
        if self._records:
            self._records = False  # not again, should it fail
            recorder.record_suction(round(now * 1000), heard.collector, heard.value, state)
            self._records = True

    @_harmless
    def take(self, heard: SuctionHeard, now: float) -> None:
        """A live reading. What the broker has kept is of no known age, and counts for nothing."""
        sensor = self._sensors.get(heard.collector)
        if sensor is None or heard.retained:
            return
        self._speaks(sensor)
        if sensor.watch.gates is not None:
            self._expect(sensor, sensor.watch.gates)
        self._tell(sensor, sensor.watch.take(heard.value, now))

    @_harmless
    def look(self, state: State, now: float) -> None:
        """After a step: which gates are open, and whether the fan is known to run."""
        shop = self._active.shop
        for name, sensor in self._sensors.items():
            at = shop.collector_at(name)
            gates, why = (None, "it is gone") if at is None else known_open(shop, state, at)
            if gates == sensor.watch.gates:
                continue
            if (level := sensor.watch.level(now, seconds=WINDOW, least=HOLDS)) is not None:
                self._note_level(sensor, level)
            sensor.runs_since = None if gates is None else sensor.runs_since or now
            spin_up = 0.0 if at is None else shop.collectors[at].spin_up
            self._tell(sensor, sensor.watch.look(gates, now, spin_up=spin_up, why=why))
            sensor.why_not = None
            if sensor.shows_anew(now):  # what was read with other gates, or before the fan was off, is of then
                self._engine.publisher.changed([("collector", name)])

    def beat(self, now: float) -> tuple[tuple[str, str], ...]:
        """Once a second. Gives the collectors whose status says something else now."""
        self._changed = []
        self._beat(now)
        return tuple(self._changed)

    @_harmless
    def _beat(self, now: float) -> None:
        for name, sensor in self._sensors.items():
            self._tell(sensor, sensor.watch.pass_time(now))
            if sensor.watch.gates is not None:
                self._expect(sensor, sensor.watch.gates)
            self._look_for_silence(sensor, now)
            if sensor.shows_anew(now):
                self._changed.append(("collector", name))

    def give_up(self, why: str) -> None:
        """Watch no more until the next config or the daemon's next start."""
        self._engine.mishaps += 1
        watched = [name for name, fan in self._active.config.collector.items() if fan.suction is not None]
        for name in watched:
            for what in (*Way, own_alarms.SUCTION_SILENT):
                self._engine.clear_alarm(own_alarms.about_suction(name, what), why)
            self._engine.note(OwnEvent.SUCTION_NOT_JUDGED, {"collector": name, "why": why})
        self._engine.publisher.changed([("collector", name) for name in watched])
        self._sensors = {}

    # What others ask

    def shown(self, kind: str, name: str) -> Mapping[str, object]:
        """For a collector's status: `{"suction": {...}}` where it has a sensor, else nothing."""
        sensor = self._sensors.get(name) if kind == "collector" else None
        return {} if sensor is None else {"suction": sensor.shown}

    def take_baseline(self, name: str) -> Judgement:
        """What it reads now is what it should be from now on with the gates that are open."""
        self._judged = Judgement(False, "an error inside Gatehand; its log says how")
        self._take_baseline(name)
        return self._judged

    @_harmless
    def _take_baseline(self, name: str) -> None:
        sensor = self._sensors.get(name)
        if sensor is None:
            self._judged = Judgement(False, f"collector {name} has no suction sensor in the config, or is not watched")
        else:
            self._judged = self._taken(sensor)

    # Inside

    def _taken(self, sensor: Sensor) -> Judgement:
        name, watch, now = sensor.name, sensor.watch, self._engine.now()
        level = watch.level(now, seconds=WINDOW, least=HOLDS)
        if level is None:
            return Judgement(False, self._why_no_level(name, watch))
        ends = (level.lowest, level.highest)
        low, high = (own_alarms.worded_suction(sensor.table, each, unit=False) for each in ends)
        if not level.is_steady:
            return Judgement(
                False, f"it has not settled: its readings lie between {low} and {high} {sensor.table.unit}"
            )
        if level.value < LEAST:
            found = self._worded(sensor, level.value)
            return Judgement(
                False, f"it reads {found} with the fan running, and no fan draws so little: look at it and its tube"
            )
        at = stamp(self._engine.clock.wall())
        scatter = (level.highest - level.lowest) / 2
        self._baselines.keep(self._active.config, (name, level.gates), level.value, scatter, at)
        sensor.void = self._baselines.void(name)
        facts = {**self._facts(sensor, level), **self._ducts_say(sensor, level.gates)}
        self._engine.note(OwnEvent.SUCTION_BASELINE_TAKEN, {"collector": name, **facts})
        self._expect(sensor, level.gates)
        value = self._worded(sensor, level.value)
        return Judgement(True, f"with {open_words(level.gates)} the suction is {value} ({low} to {high})", facts)

    def _begin(self, active: ActiveConfig) -> None:
        self._active = active
        self._sensors = {}
        self._baselines.begin(active.config)
        for name, table in active.config.collector.items():
            if table.suction is not None:
                place = Signal("collector", name, "suction", table.suction).place
                sensor = Sensor(name, table.suction, place, Watch(), void=self._baselines.void(name))
                sensor.shown = status(table.suction, sensor.watch, 0.0, why_not=None, void=sensor.void)
                self._sensors[name] = sensor

    @_harmless
    def note_void(self) -> None:
        """Say which baselines no longer count; once for each config."""
        if self._failed is not None:
            why, self._failed = self._failed, None
            self.give_up(why)
        for name, sensor in self._sensors.items():
            if sensor.void:
                self._engine.note(OwnEvent.SUCTION_BASELINES_VOID, {"collector": name, "baselines": sensor.void})

    def _expect(self, sensor: Sensor, gates: Gates) -> None:
        """What the suction should be: by the shop's own baseline, else by its ducts, once that is worked out."""
        name, watch = sensor.name, sensor.watch
        ducts = self._ducts.of(name, gates)
        baseline = self._baselines.of(name, gates)
        if ducts is None:
            return
        why: str | None = None
        expected: Expected | None = None
        if baseline is not None:
            falls = None if isinstance(ducts, str) else ducts.falls
            expected = baseline.expected(falls, tells_way=not self._ducts.is_flat(name, gates))
        elif isinstance(ducts, str):
            why = f"there is no baseline of it, and {ducts}"
        else:
            expected = Expected(ducts.low, ducts.middle, ducts.high, By.DUCTS)
        if watch.gaps >= SELDOM:
            expected, why = None, f"its sensor reports less often than every {FRESH:g} s"
        self._tell(sensor, watch.expect(expected, "something else is expected now"))
        if why is not None and (gates, why) not in sensor.told:
            sensor.told.add((gates, why))
            self._engine.note(OwnEvent.SUCTION_NOT_JUDGED, {"collector": name, "gates": ", ".join(gates), "why": why})
        sensor.why_not = why

    def _tell(self, sensor: Sensor, change: Raised | Ended | None) -> None:
        name = sensor.name
        match change:
            case Raised(way=way, gates=gates, expected=expected):
                other = Way.LOW if way is Way.HIGH else Way.HIGH
                self._engine.clear_alarm(own_alarms.about_suction(name, other), "it is off the other way now")
                found = own_alarms.suction_off(
                    name, way, open_words(gates), sensor.table, change.value, expected=expected
                )
                self._engine.raise_alarm(found)
            case Ended(way=way, why=why):
                self._engine.clear_alarm(own_alarms.about_suction(name, way), why)
            case None:
                pass

    def _look_for_silence(self, sensor: Sensor, now: float) -> None:
        """A sensor that has spoken and says nothing while the fan runs: one that never spoke is `unheard`'s."""
        last = sensor.watch.last
        since = sensor.runs_since
        known = self._engine.notebook.was_heard(sensor.place)
        if self._active.routes.rejections.speaks_oddly(("collector", sensor.name, "suction")):
            self._speaks(sensor)  # it is no silence; `unheard` tells what it said
            return
        if not self._connected or since is None or not known or sensor.silent:
            return
        heard_at = since if last is None else max(since, last[1])
        if now - heard_at >= SILENT:
            sensor.silent = True
            self._engine.raise_alarm(own_alarms.suction_silent(sensor.name, sensor.table.topic, SILENT))

    def _speaks(self, sensor: Sensor) -> None:
        if sensor.silent:
            sensor.silent = False
            self._engine.clear_alarm(own_alarms.about_suction(sensor.name, own_alarms.SUCTION_SILENT))

    def _note_level(self, sensor: Sensor, level: Level) -> None:
        self._engine.note(OwnEvent.SUCTION_MEASURED, {"collector": sensor.name, **self._facts(sensor, level)})

    def _facts(self, sensor: Sensor, level: Level) -> dict[str, str | float]:
        """Of a level, as the log has it: Pa for whoever works with it, a text for whoever reads it."""
        found: dict[str, str | float] = {
            "gates": ", ".join(level.gates),
            "pascals": round(level.value, 1),
            "suction": self._worded(sensor, level.value),
            "for_seconds": round(level.seconds, 1),
        }
        baseline = self._baselines.of(sensor.name, level.gates)
        if baseline is not None:
            ducts = self._ducts.of(baseline.collector, level.gates)
            known = None if ducts is None or isinstance(ducts, str) else ducts.falls
            found |= {"baseline": baseline.pascals, "baseline_at": baseline.at}
            found |= {"baseline_suction": self._worded(sensor, baseline.pascals)}
            found |= {} if known is None else {"dirty_falls": round(known, 3)}
        return found

    def _ducts_say(self, sensor: Sensor, gates: Gates) -> dict[str, str]:
        """What they should give, or why nobody can tell."""
        ducts = self._ducts.of(sensor.name, gates)
        if ducts is None:
            return {}
        if isinstance(ducts, str):
            return {"no_ducts": ducts}
        return {"ducts_say": f"{self._worded(sensor, ducts.low)} to {self._worded(sensor, ducts.high)}"}

    def _worded(self, sensor: Sensor, pascals: float) -> str:
        return own_alarms.worded_suction(sensor.table, pascals)

    def _why_no_level(self, name: str, watch: Watch) -> str:
        if watch.gates is None:
            return f"collector {name} is not known to run with all its gates known to be open or shut"
        if watch.last is None:
            return f"nothing has been heard from the suction sensor of {name}"
        return f"the gates have been as they are for too short a time, or the sensor of {name} reports too seldom"
