"""The shop as the rules see it: tools, gates, collectors, stop contacts. Validated, frozen, no topics in it.

Durations are seconds, currents ampere. Names are unique within their kind. Topics, payloads and files belong to the
daemon's config, which builds a `Shop` from them.
"""

from collections.abc import Iterable
from functools import cached_property
from typing import Annotated, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

Seconds = Annotated[float, Field(ge=0, allow_inf_nan=False)]
Amps = Annotated[float, Field(gt=0, allow_inf_nan=False)]


class Described(BaseModel):
    """Base of all descriptions: frozen, strict about unknown keys."""

    model_config = ConfigDict(frozen=True, extra="forbid")


class Tool(Described):
    """A machine whose current is watched."""

    name: str
    collector: str
    gates: tuple[str, ...] = ()
    assist: tuple[str, ...] = ()
    """Gates opened with its own to keep the main moving; never waited for."""
    start_amps: Amps
    stop_amps: Amps
    start_after: Seconds = 0.0
    stop_after: Seconds = 0.0
    run_on: Seconds = 10.0
    silent_after: Seconds = 30.0
    """0: the sensor speaks only on change and is never taken for silent."""
    run_limit: Seconds = 8 * 3600.0
    """0: no limit."""
    tells_online: bool = True
    """Its device may say that it is gone."""

    @model_validator(mode="after")
    def _hysteresis(self) -> Self:
        if self.stop_amps > self.start_amps:
            raise ValueError(f"stop_amps {self.stop_amps:g} is above start_amps {self.start_amps:g}")
        return self


class Gate(Described):
    """A blast gate."""

    name: str
    collector: str
    commanded: bool = True
    """False: moved by hand only; it must report."""
    reports: bool = False
    """It reports its position."""
    polled: bool = False
    """It can be asked where it stands."""
    travel: Seconds = 1.5
    retries: Annotated[int, Field(ge=0, le=20)] = 2
    hand_limit: Seconds = 1800.0
    relief: bool = False
    """Among the first to open when a fan turns against shut gates."""
    on_hand_open: Literal["start", "ignore"] = "ignore"
    tells_online: bool = True
    """Its device may say that it is gone."""

    @model_validator(mode="after")
    def _known_somehow(self) -> Self:
        if not self.commanded and not self.reports:
            raise ValueError("a gate without command must report its position")
        return self


class Collector(Described):
    """A fan with its filter and bin, and what is known of its switch and motor."""

    name: str
    reports: bool = False
    """Its switch reports back."""
    senses_current: bool = False
    """Its motor's current is measured."""
    running_amps: Amps = 2.0
    spin_up: Seconds = 3.0
    coast_down: Seconds = 8.0
    refresh: Seconds = 20.0
    """0: the command is not repeated."""
    min_open: Annotated[int, Field(ge=0)] = 1
    max_open: Annotated[int, Field(ge=1)] | None = None
    starts_per_hour: Annotated[int, Field(ge=1)] | None = None
    on_bin_full: Literal["refuse", "warn"] = "refuse"
    rest: Literal["shut", "leave"] = "shut"
    tells_bin: bool = True
    """Something may say that its bin is full."""
    tells_online: bool = True
    """Its device may say that it is gone."""


class StopContact(Described):
    """An emergency stop's or a detector's contact, watched; never the emergency stop itself."""

    name: str
    collectors: tuple[str, ...]


class Circuit(Described):
    """What hangs on one breaker. `start_gap`: seconds between two inrushes, 0: no stagger."""

    name: str
    tools: tuple[str, ...] = ()
    collectors: tuple[str, ...] = ()
    start_gap: Seconds = 0.0


class Shop(Described):
    """The whole shop. The order within each tuple is the order of the states in `State`."""

    tools: tuple[Tool, ...] = ()
    gates: tuple[Gate, ...] = ()
    collectors: tuple[Collector, ...]
    stops: tuple[StopContact, ...] = ()
    circuits: tuple[Circuit, ...] = ()

    @model_validator(mode="after")
    def _whole(self) -> Self:
        for kind, items in (
            ("tool", self.tools),
            ("gate", self.gates),
            ("collector", self.collectors),
            ("stop", self.stops),
        ):
            names = [item.name for item in items]
            if len(set(names)) != len(names):
                raise ValueError(f"two {kind}s have one name")
        home = {gate.name: gate.collector for gate in self.gates}
        fans = {collector.name for collector in self.collectors}
        for gate in self.gates:
            if gate.collector not in fans:
                raise ValueError(f"gate {gate.name}: no collector {gate.collector}")
        for tool in self.tools:
            if tool.collector not in fans:
                raise ValueError(f"tool {tool.name}: no collector {tool.collector}")
            for name in (*tool.gates, *tool.assist):
                if home.get(name) != tool.collector:
                    raise ValueError(f"tool {tool.name}: no gate {name} at collector {tool.collector}")
        for stop in self.stops:
            if not set(stop.collectors) <= fans:
                raise ValueError(f"stop {stop.name}: names a collector that is not there")
        return self

    def tool_at(self, name: str) -> int | None:
        """Index of the tool in `tools`, or None."""
        return self._tools_by_name.get(name)

    def gate_at(self, name: str) -> int | None:
        """Index of the gate in `gates`, or None."""
        return self._gates_by_name.get(name)

    def collector_at(self, name: str) -> int | None:
        """Index of the collector in `collectors`, or None."""
        return self._collectors_by_name.get(name)

    def stop_at(self, name: str) -> int | None:
        """Index of the stop contact in `stops`, or None."""
        return self._stops_by_name.get(name)

    def gates_of(self, collector: int) -> tuple[int, ...]:
        """Indices of the gates of the collector at this index."""
        return self._gates_by_collector[collector]

    def tools_of(self, collector: int) -> tuple[int, ...]:
        """Indices of the tools of the collector at this index."""
        return self._tools_by_collector[collector]

    def ways_of(self, tool: int) -> tuple[tuple[int, ...], tuple[int, ...]]:
        """Indices of the own gates, and of the assist gates, of the tool at this index."""
        return self._ways[tool]

    # Built at the first question; a frozen shop never changes them. A pydantic private attribute would be found by
    # `__getattr__` only, at a microsecond a question.

    @cached_property
    def _tools_by_name(self) -> dict[str, int]:
        return _places(tool.name for tool in self.tools)

    @cached_property
    def _gates_by_name(self) -> dict[str, int]:
        return _places(gate.name for gate in self.gates)

    @cached_property
    def _collectors_by_name(self) -> dict[str, int]:
        return _places(collector.name for collector in self.collectors)

    @cached_property
    def _gates_by_collector(self) -> tuple[tuple[int, ...], ...]:
        return tuple(
            tuple(i for i, gate in enumerate(self.gates) if gate.collector == collector.name)
            for collector in self.collectors
        )

    @cached_property
    def _tools_by_collector(self) -> tuple[tuple[int, ...], ...]:
        return tuple(
            tuple(i for i, tool in enumerate(self.tools) if tool.collector == collector.name)
            for collector in self.collectors
        )

    @cached_property
    def _ways(self) -> tuple[tuple[tuple[int, ...], tuple[int, ...]], ...]:
        place = self._gates_by_name
        return tuple(
            (tuple(place[name] for name in tool.gates), tuple(place[name] for name in tool.assist))
            for tool in self.tools
        )

    @cached_property
    def _stops_by_name(self) -> dict[str, int]:
        return _places(stop.name for stop in self.stops)


def _places(names: Iterable[str]) -> dict[str, int]:
    return {name: i for i, name in enumerate(names)}
