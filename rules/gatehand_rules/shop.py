"""The shop as the rules see it: tools, gates, collectors, stop contacts. Checked, frozen, no topics in it.

Durations are seconds, thresholds in the unit of their sensor's `measure`. Names are unique within their kind. Topics,
payloads and files belong to the daemon's config, which builds a `Shop` from them.

A description is checked whenever one is made, so one that exists is one that can be: `ValueError` says what cannot,
`TypeError` names a field that there is not. One is changed by `msgspec.structs.replace`, which makes a new one: it is
checked anew, and a shop's indexes are built anew.
"""

from collections.abc import Callable, Iterable
from functools import cached_property
from math import inf
from typing import Literal, NewType, TypeAlias

from msgspec import Struct

from gatehand_rules.timing import GuardTiming, Timing
from gatehand_rules.words import Measure

ToolAt = NewType("ToolAt", int)
"""A tool's place in `Shop.tools`, and so in `State.tools`; below, the same of the others."""
GateAt = NewType("GateAt", int)
CollectorAt = NewType("CollectorAt", int)
StopAt = NewType("StopAt", int)

Named: TypeAlias = dict[str, float | bool | None]
"""Facts of a finding."""
MOST_RETRIES = 20
"""A gate is told again no more often than that."""
CLOSED = 1.0
"""What a contact reads that says "running"; else it reads 0."""


class Tool(Struct, frozen=True, kw_only=True):
    """A machine that is watched for whether it works."""

    name: str
    collector: str
    gates: tuple[str, ...] = ()
    assist: tuple[str, ...] = ()
    """Gates opened with its own to keep the main moving; never waited for."""
    measure: Measure = Measure.AMPS
    start_at: float
    """At or above this reading it runs. A contact reads 1 or 0, and has no thresholds of its own."""
    stop_at: float
    """Below this it has stopped."""
    start_after: float = 0.0
    stop_after: float = 0.0
    run_on: float = 10.0
    silent_after: float = 30.0
    """0: the sensor speaks only on change and is never taken for silent."""
    run_limit: float = 8 * 3600.0
    """0: no limit."""
    tells_online: bool = True
    """Its device may say that it is gone."""

    def __post_init__(self) -> None:
        _refuse_below(0.0, self, "start_after", "stop_after", "run_on", "silent_after", "run_limit")
        _refuse_nothing(self, "start_at", "stop_at")
        if self.stop_at > self.start_at:
            raise ValueError(f"tool {self.name}: stop_at {self.stop_at:g} is above start_at {self.start_at:g}")
        if self.measure is Measure.RUNNING and (self.start_at, self.stop_at) != (CLOSED, CLOSED):
            raise ValueError(f"tool {self.name}: a contact is no number and has no thresholds")

    @property
    def needs_no_second(self) -> bool:
        """After a silence it is believed where nothing contrary comes: a contact, or a sensor that speaks on change."""
        return self.measure is Measure.RUNNING or self.silent_after == 0

    # The facts of a finding, named after what is measured: here and nowhere else.

    def reading_fact(self, value: float | None, which: str = "") -> Named:
        """A reading by its name, such as `{"watts": 118.0}`. `which`: before it, such as "last_"."""
        said = value if value is None or self.measure is not Measure.RUNNING else value >= self.start_at
        return {f"{which}{self.measure}": said}

    def start_fact(self) -> Named:
        """The start threshold by its key in the config; nothing where there is none."""
        return self._threshold("start", self.start_at)

    def stop_fact(self) -> Named:
        """The stop threshold by its key in the config; nothing where there is none."""
        return self._threshold("stop", self.stop_at)

    def peak_fact(self, peak: float) -> Named:
        """The highest reading of a rise, in the unit of the threshold beside it; nothing where there is none."""
        return {} if self.measure is Measure.RUNNING else {"peak": peak}

    def _threshold(self, which: str, value: float) -> Named:
        return {} if self.measure is Measure.RUNNING else {f"{which}_{self.measure}": value}


class Gate(Struct, frozen=True, kw_only=True):
    """A blast gate."""

    name: str
    collector: str
    commanded: bool = True
    """False: moved by hand only; it must report."""
    reports: bool = False
    """It reports its position."""
    polled: bool = False
    """It can be asked where it stands."""
    travel: float = 1.5
    retries: int = 2
    hand_limit: float = 1800.0
    relief: bool = False
    """Among the first to open when a fan turns against shut gates."""
    on_hand_open: Literal["start", "ignore"] = "ignore"
    tells_online: bool = True
    """Its device may say that it is gone."""

    def __post_init__(self) -> None:
        _refuse_below(0, self, "travel", "retries", "hand_limit")
        if self.retries > MOST_RETRIES:
            raise ValueError(f"gate {self.name}: retries {self.retries} are more than {MOST_RETRIES}")
        _refuse_other(("start", "ignore"), self, "on_hand_open")
        if not self.commanded and not self.reports:
            raise ValueError(f"gate {self.name}: a gate without command must report its position")


class Collector(Struct, frozen=True, kw_only=True):
    """A fan with its filter and bin, and what is known of its switch and motor."""

    name: str
    reports: bool = False
    """Its switch reports back."""
    senses_motor: bool = False
    """Something at its motor says whether it turns."""
    measure: Measure = Measure.AMPS
    """Of that sensor."""
    turns_at: float = 2.0
    """At or above this reading the motor turns; a contact reads 1 or 0."""
    spin_up: float = 3.0
    coast_down: float = 8.0
    refresh: float = 20.0
    """0: the command is not repeated."""
    min_open: int = 1
    max_open: int | None = None
    starts_per_hour: int | None = None
    on_bin_full: Literal["refuse", "warn"] = "refuse"
    rest: Literal["shut", "leave"] = "shut"
    tells_bin: bool = True
    """Something may say that its bin is full."""
    tells_online: bool = True
    """Its device may say that it is gone."""

    def motor_fact(self, value: float) -> Named:
        """What the sensor at its motor read, by its name, such as `{"motor_watts": 840.0}`."""
        return {f"motor_{self.measure}": value if self.measure is not Measure.RUNNING else value >= self.turns_at}

    def __post_init__(self) -> None:
        _refuse_below(0, self, "spin_up", "coast_down", "refresh", "min_open")
        _refuse_below(1, self, "max_open", "starts_per_hour")
        _refuse_nothing(self, "turns_at")
        if self.measure is Measure.RUNNING and self.turns_at != CLOSED:
            raise ValueError(f"collector {self.name}: a contact is no number and has no threshold")
        _refuse_other(("refuse", "warn"), self, "on_bin_full")
        _refuse_other(("shut", "leave"), self, "rest")


class StopContact(Struct, frozen=True, kw_only=True):
    """An emergency stop's or a detector's contact, watched; never the emergency stop itself."""

    name: str
    collectors: tuple[str, ...]
    tells_online: bool = True
    """Its device may say that it is gone."""


class Circuit(Struct, frozen=True, kw_only=True):
    """What hangs on one breaker. `start_gap`: seconds between two inrushes, 0: no stagger."""

    name: str
    tools: tuple[str, ...] = ()
    collectors: tuple[str, ...] = ()
    start_gap: float = 0.0

    def __post_init__(self) -> None:
        _refuse_below(0.0, self, "start_gap")


class Shop(Struct, frozen=True, kw_only=True, dict=True):
    """The whole shop. The order within each tuple is the order of the states in `State`."""

    tools: tuple[Tool, ...] = ()
    gates: tuple[Gate, ...] = ()
    collectors: tuple[Collector, ...]
    stops: tuple[StopContact, ...] = ()
    circuits: tuple[Circuit, ...] = ()
    timing: Timing = Timing()
    """The fixed times of the sequence, and below those of the interlock: nobody's to choose but a test's."""
    guard_timing: GuardTiming = GuardTiming()

    def __post_init__(self) -> None:
        for kind, names in self.names.items():
            if len(set(names)) != len(names):
                raise ValueError(f"two {kind}s have one name")
        home = {gate.name: gate.collector for gate in self.gates}
        fans = {collector.name for collector in self.collectors}
        at_a_fan: tuple[Gate | Tool, ...] = (*self.gates, *self.tools)
        for one in at_a_fan:
            if one.collector not in fans:
                raise ValueError(f"{_what(one)} {one.name}: no collector {one.collector}")
        for tool in self.tools:
            for name in (*tool.gates, *tool.assist):
                if home.get(name) != tool.collector:
                    raise ValueError(f"tool {tool.name}: no gate {name} at collector {tool.collector}")
        for stop in self.stops:
            if not set(stop.collectors) <= fans:
                raise ValueError(f"stop {stop.name}: names a collector that is not there")

    @property
    def names(self) -> dict[str, list[str]]:
        """Of each kind of device that an alarm can be about, the names."""
        return {
            "tool": [tool.name for tool in self.tools],
            "gate": [gate.name for gate in self.gates],
            "collector": [collector.name for collector in self.collectors],
            "stop": [stop.name for stop in self.stops],
        }

    # What follows is built at the first question; a frozen shop never changes it, and `replace` takes none of it along.
    # What asks for one (a name, a place) is the bound look-up itself: called like a method, for the price of a look-up.

    @cached_property
    def tool_at(self) -> Callable[[str], ToolAt | None]:
        """Index of the tool of a name in `tools`, or None."""
        return {tool.name: ToolAt(i) for i, tool in enumerate(self.tools)}.get

    @cached_property
    def gate_at(self) -> Callable[[str], GateAt | None]:
        """Index of the gate of a name in `gates`, or None."""
        return {gate.name: GateAt(i) for i, gate in enumerate(self.gates)}.get

    @cached_property
    def collector_at(self) -> Callable[[str], CollectorAt | None]:
        """Index of the collector of a name in `collectors`, or None."""
        return {collector.name: CollectorAt(i) for i, collector in enumerate(self.collectors)}.get

    @cached_property
    def stop_at(self) -> Callable[[str], StopAt | None]:
        """Index of the stop contact of a name in `stops`, or None."""
        return {stop.name: StopAt(i) for i, stop in enumerate(self.stops)}.get

    @cached_property
    def each_tool(self) -> tuple[ToolAt, ...]:
        """Every place in `tools`, to go through; below, the same of the others."""
        return tuple(ToolAt(i) for i in range(len(self.tools)))

    @cached_property
    def each_gate(self) -> tuple[GateAt, ...]:
        """Every place in `gates`."""
        return tuple(GateAt(i) for i in range(len(self.gates)))

    @cached_property
    def each_collector(self) -> tuple[CollectorAt, ...]:
        """Every place in `collectors`."""
        return tuple(CollectorAt(i) for i in range(len(self.collectors)))

    @cached_property
    def home_of(self) -> Callable[[GateAt], CollectorAt]:
        """Index of the collector of the gate at this index."""
        return self._places(gate.collector for gate in self.gates).__getitem__

    @cached_property
    def fan_of(self) -> Callable[[ToolAt], CollectorAt]:
        """Index of the collector of the tool at this index."""
        return self._places(tool.collector for tool in self.tools).__getitem__

    @cached_property
    def fans_of(self) -> Callable[[StopAt], tuple[CollectorAt, ...]]:
        """Indices of the collectors of the stop contact at this index."""
        return tuple(self._places(stop.collectors) for stop in self.stops).__getitem__

    def _places(self, collectors: Iterable[str]) -> tuple[CollectorAt, ...]:
        place = {collector.name: CollectorAt(i) for i, collector in enumerate(self.collectors)}
        return tuple(place[name] for name in collectors)

    @cached_property
    def gates_of(self) -> Callable[[CollectorAt], tuple[GateAt, ...]]:
        """Indices of the gates of the collector at this index."""
        homes, each = self.home_of, self.each_gate
        return tuple(tuple(at for at in each if homes(at) == home) for home in self.each_collector).__getitem__

    @cached_property
    def tools_of(self) -> Callable[[CollectorAt], tuple[ToolAt, ...]]:
        """Indices of the tools of the collector at this index."""
        homes, each = self.fan_of, self.each_tool
        return tuple(tuple(at for at in each if homes(at) == home) for home in self.each_collector).__getitem__

    @cached_property
    def ways_of(self) -> Callable[[ToolAt], tuple[tuple[GateAt, ...], tuple[GateAt, ...]]]:
        """Indices of the own gates, and of the assist gates, of the tool at this index."""
        place = {gate.name: GateAt(i) for i, gate in enumerate(self.gates)}
        return tuple(
            (tuple(place[name] for name in tool.gates), tuple(place[name] for name in tool.assist))
            for tool in self.tools
        ).__getitem__


Numbered: TypeAlias = Tool | Gate | Collector | Circuit
"""What is described by numbers."""


def _refuse_below(least: float, one: Numbered, *fields: str) -> None:
    """Refuse a number that is less, or endless, or none at all (NaN). None stands for "not limited"."""
    for field in fields:
        value = getattr(one, field)
        if value is not None and not least <= value < inf:
            raise ValueError(f"{_what(one)} {one.name}: {field} {value:g} must be {least:g} or more, and finite")


def _refuse_nothing(one: Numbered, *fields: str) -> None:
    """Refuse a threshold of nothing or less."""
    for field in fields:
        if not 0 < (value := getattr(one, field)) < inf:
            raise ValueError(f"{_what(one)} {one.name}: {field} {value:g} must be above 0, and finite")


def _refuse_other(words: tuple[str, ...], one: Numbered, field: str) -> None:
    """Refuse a word that means nothing here."""
    if (value := getattr(one, field)) not in words:
        raise ValueError(f"{_what(one)} {one.name}: {field} {value!r} must be one of {', '.join(words)}")


def _what(one: Numbered) -> str:
    return type(one).__name__.lower()
