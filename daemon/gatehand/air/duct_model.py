"""From the config's duct tables to the solver's ducts: units, defaults, loss factors. The only place that converts."""

from collections.abc import Collection, Mapping, Sequence
from typing import Final

from msgspec import Struct
from msgspec.structs import replace

from gatehand.air.air_words import Speaker
from gatehand.config import Config
from gatehand.config.check_ducts import alone, collector_of, root_of
from gatehand.config.ducts import DuctTable, Fan, FilterLoss
from gatehand_air.ducting import Ducting
from gatehand_air.fan_curve import Curve, Filter
from gatehand_air.fittings import (
    DUSTS,
    ENTRIES,
    MATERIALS,
    Want,
    carried_over,
    default_flow,
    factor,
    reducer,
    transition,
)
from gatehand_air.friction import LAWS
from gatehand_air.gate_sets import Asker, GateDemand, GateSet, gate_sets
from gatehand_air.properties import STANDARD, Air, Units, air, units
from gatehand_air.tree import Duct, Network
from gatehand_rules.demand import admitted

MIN_VELOCITY: Final = {"us": 4000.0, "metric": 20.0}
"""Branches: small shops, ft/min [practice]; TRGS 553 Annex 2, m/s [pub]."""
MAIN_VELOCITY: Final = {"us": 3500.0, "metric": 18.0}
"""The main [practice]."""
TEMPERATURE: Final = {"us": 68.0, "metric": 20.0}


class DuctSystem(Struct, frozen=True):
    """One collector's ducts, ready to solve, with who asks for which gates.

    Fields:
        wants: by hood (the duct that ends in it): the flow wanted and why; only hoods that want any.
        labels: by hood, what a person calls it: its gate, or where several hoods are behind that, its tools.
        tools: by hood: the names that its table gives for what it serves.
        filter_at: the flow at which the config gives the filter's loss, m3/s.
        max_open: as configured.
        clean_air: gates that serve no tool, preferred as `assist`.
    """

    collector: str
    units: Units
    ducting: Ducting
    demands: tuple[GateDemand, ...]
    wants: Mapping[str, Want]
    labels: Mapping[str, str]
    tools: Mapping[str, tuple[str, ...]]
    filter_at: float | None
    max_open: int | None
    clean_air: frozenset[str]

    @property
    def gates(self) -> frozenset[str]:
        """The gates that have a duct."""
        return frozenset(self.ducting.network.gates)

    def admit(self, together: Sequence[GateDemand]) -> frozenset[str] | None:
        """The gates that the rules open for these demands, oldest first; None where one of them has to wait."""
        every = frozenset().union(*[demand.gates for demand in together], *[demand.assist for demand in together])
        if self.max_open is None or len(every) <= self.max_open:
            return every  # where there is room for all, the rules open all; they are asked thousands of times
        fitting = admitted([(demand.gates, demand.assist) for demand in together], self.max_open)
        if len(fitting) < len(together):
            return None
        return frozenset().union(*(together[i].gates.union(assist) for i, assist in fitting))

    @property
    def sets(self) -> tuple[GateSet, ...]:
        """Every set of gates that can be asked for."""
        return gate_sets(self.demands, self.admit, self.max_open)

    @property
    def say(self) -> Speaker:
        """Words for its figures."""
        return Speaker(self.units, self.labels)

    def hoods_by_label(self, gates: Collection[str]) -> dict[str, str]:
        """The hoods that are open with these gates, by the words that name them: label and duct."""
        network = self.ducting.network
        live = network.behind(gates) | network.always_open
        return {hood: hood for hood in live} | {self.labels[hood]: hood for hood in live}


def duct_systems(config: Config) -> tuple[DuctSystem, ...]:
    """One for each collector that has ducts, in the order of the collectors. The config is one that `load` accepted."""
    homes = {name: collector_of(config, root_of(config.duct, name)) for name in config.duct}
    return tuple(duct_system(config, collector) for collector in config.collector if collector in homes.values())


def duct_system(config: Config, collector: str, sizes: Mapping[str, float] | None = None) -> DuctSystem:
    """One collector's. `sizes`: diameters in m to put in place of the config's, by duct."""
    of = units(config.airflow.units)
    ducts = {n: d for n, d in config.duct.items() if collector_of(config, root_of(config.duct, n)) == collector}
    diameters = {name: duct.diameter * of.diameter for name, duct in ducts.items()} | dict(sizes or {})
    wants = _wants(ducts, of)
    network = Network(tuple(_duct(name, ducts, diameters, of) for name in ducts))
    return DuctSystem(
        collector=collector,
        units=of,
        ducting=_ducting(config, collector, network, wants),
        demands=_demands(config, collector, network),
        wants=wants,
        labels=_labels(ducts, network),
        tools={name: duct.hood.tool for name, duct in ducts.items() if duct.hood is not None and duct.hood.tool},
        filter_at=None if (loss := config.fan[collector].filter_loss) is None else loss.at * of.flow,
        max_open=config.collector[collector].max_open,
        clean_air=frozenset(network.gates) - frozenset(g for tool in config.tool.values() for g in tool.gates),
    )


def resized(config: Config, system: DuctSystem, sizes: Mapping[str, float]) -> Ducting:
    """A system's ducts with other diameters, m, by duct: what `duct_system` makes of them, in less time."""
    network, of = system.ducting.network, system.units
    ducts = {duct.name: config.duct[duct.name] for duct in network.ducts}
    diameters = {duct.name: duct.diameter for duct in network.ducts} | dict(sizes)
    other = tuple(
        _resized(duct, ducts, diameters, of) if duct.name in sizes or duct.into in sizes else duct
        for duct in network.ducts
    )
    return replace(system.ducting, network=Network(other))


def _resized(duct: Duct, ducts: Mapping[str, DuctTable], diameters: Mapping[str, float], of: Units) -> Duct:
    """Its factors are at its own and the next duct's diameter."""
    table, own = ducts[duct.name], diameters[duct.name]
    joins = None if duct.into is None else (diameters[duct.into], alone(ducts, duct.name))
    return replace(duct, diameter=own, factor=_factors(table, own, joins, of))


def shop_air(config: Config) -> Air:
    """The air of the shop, by its temperature and altitude."""
    said, of = config.airflow, units(config.airflow.units)
    shown = TEMPERATURE[of.name] if said.temperature is None else said.temperature
    return air(of.celsius(shown), said.altitude * of.length)


def _ducting(config: Config, collector: str, network: Network, wants: Mapping[str, Want]) -> Ducting:
    """The fan's curve is drawn for standard air; its pressure goes with density (fan laws), its flow does not."""
    said, of = config.airflow, units(config.airflow.units)
    here = shop_air(config)
    fan = config.fan[collector]
    clean, dirty = _filters(fan.filter_loss, of)
    return Ducting(
        network=network,
        fan=static_curve(fan, of).scaled(here.density / STANDARD.density),
        clean_filter=clean,
        dirty_filter=dirty,
        air=here,
        hood_flows={hood: want.flow for hood, want in wants.items()},
        branch_velocity=(said.min_velocity or MIN_VELOCITY[of.name]) * of.velocity,
        main_velocity=(said.main_velocity or MAIN_VELOCITY[of.name]) * of.velocity,
        particle_speed=said.particle_speed,
        law=LAWS[said.friction],
    )


def _filters(loss: FilterLoss | None, of: Units) -> tuple[Filter, Filter]:
    """Clean and dirty; as measured in the shop, so without a correction for density."""
    if loss is None:
        return Filter(), Filter()
    at = (loss.at * of.flow) ** loss.exponent
    clean, dirty = (Filter(lost * of.pressure / at, loss.exponent) for lost in (loss.clean, loss.dirty))
    return clean, dirty


def static_curve(fan: Fan, of: Units) -> Curve:
    """Fan static pressure at the fan's own speed, for standard air; SI."""
    curve = Curve(tuple((flow * of.flow, pressure * of.pressure) for flow, pressure in fan.curve))
    if fan.measured is not None:
        curve = curve.from_inlet_pipe(fan.measured.inlet_pipe * of.diameter, STANDARD)
    return curve if fan.speed is None else curve.at_speed(fan.speed.run / fan.speed.curve)


def plain_fan(fan: Fan, of: Units) -> Fan:
    """The same fan with its curve as fan static pressure at its own speed, for whoever changes the curve's points."""
    if fan.measured is None and fan.speed is None:
        return fan
    points = tuple((flow / of.flow, pressure / of.pressure) for flow, pressure in static_curve(fan, of).points)
    return fan.model_copy(update={"curve": points, "measured": None, "speed": None})


def _duct(name: str, ducts: Mapping[str, DuctTable], diameters: Mapping[str, float], of: Units) -> Duct:
    duct = ducts[name]
    joins = None if duct.into is None else (diameters[duct.into], alone(ducts, name))
    rough = MATERIALS[duct.material].roughness if duct.roughness is None else duct.roughness * of.roughness
    leak = None if duct.leak is None else duct.leak.at * of.pressure / (duct.leak.flow * of.flow) ** 2
    hood = duct.hood
    machine = hood.machine_loss if hood is not None else None
    dust = DUSTS[hood.dust] if hood is not None and hood.dust is not None else None
    return Duct(
        name=name,
        into=duct.into,
        diameter=diameters[name],
        length=duct.length * of.length,
        roughness=rough,
        factor=_factors(duct, diameters[name], joins, of),
        entry=_entry(duct, is_end=all(each.into != name for each in ducts.values())),
        gate=duct.gate,
        leak=leak,
        machine=None if machine is None else machine.loss * of.pressure / (machine.at * of.flow) ** 2,
        dust_velocity=None if dust is None else dust.wanted,
        dust_settles=None if dust is None else dust.settles,
    )


def _factors(duct: DuctTable, own: float, joins: tuple[float, bool] | None, of: Units) -> float:
    """The loss factors of a duct's fittings and of its step into the next duct, all on its own velocity pressure.

    Each counts at the diameter where it is: the duct's own until a reducer changes it. A duct of the solver has one
    diameter, so what lies behind a reducer is carried over to the own one, rather than made a duct of its own: the
    losses are the same, names stay those of the config, and nobody is told of a velocity in a fitting of no length. In
    a stub that is wider than its duct the air is slower than is shown.

    Args:
        duct: with its fittings, in the order in which the air meets them.
        own: its diameter, m.
        joins: the next duct's diameter, m, and whether no other runs into that; None at the collector.
        of: the units of the table.
    """
    here, total = own, 0.0
    for fitting in duct.fittings:
        after = here if fitting.reducer is None else fitting.reducer * of.diameter
        if fitting.name is not None:
            loss = factor(fitting.name, here)
        else:
            loss = reducer(here, after, fitting.angle) if fitting.k is None else fitting.k
        total += carried_over(loss, here, own)
        here = after
    if joins is not None:
        following, is_alone = joins
        total += carried_over(transition(here, following, alone=is_alone), here, own)
    return total


def _entry(duct: DuctTable, *, is_end: bool) -> float | None:
    """The hood's entry factor; an end with a gate and no hood table is a plain end."""
    if duct.hood is None:
        return ENTRIES["plain"] if duct.gate is not None and is_end else None
    return duct.hood.entry if isinstance(duct.hood.entry, float) else ENTRIES[duct.hood.entry]


def _wants(ducts: Mapping[str, DuctTable], of: Units) -> dict[str, Want]:
    """What each hood wants: the user's own figure, else the default for its tool."""
    found = {}
    for name, duct in ducts.items():
        if duct.hood is None:
            continue
        want = default_flow(duct.hood.tool or (), duct.diameter * of.diameter)
        if duct.hood.flow is not None:
            want = Want(duct.hood.flow * of.flow, "yours")
        if want is not None:
            found[name] = want
    return found


def _labels(ducts: Mapping[str, DuctTable], network: Network) -> dict[str, str]:
    """A hood alone behind its gate goes by that; of several each by its tools, or by its duct."""
    found = {}
    for hood, gate in network.gate_of.items():
        table = ducts[hood].hood
        tools = table.tool if table is not None else None
        alone = gate is not None and len(network.behind({gate})) == 1
        found[hood] = str(gate) if alone else " and ".join(tools) if tools else hood
    return found


def _demands(config: Config, collector: str, network: Network) -> tuple[GateDemand, ...]:
    """Each tool with gates here, or whose hood no gate shuts; each gate with a button, opened by hand or toolless."""
    found = [
        GateDemand(Asker.TOOL, name, frozenset(tool.gates), tool.assist, _hoods(config, name, tool.gates, network))
        for name, tool in config.tool.items()
        if tool.gates and config.tool_collector(name) == collector
    ]
    found += [
        GateDemand(Asker.TOOL, name, frozenset(), tool.assist, hoods)
        for name, tool in config.tool.items()
        if not tool.gates
        and config.tool_collector(name) == collector
        and (hoods := frozenset(hood for hood in network.always_open if name in _names_of(config, hood)))
    ]
    served = config.gates_of_tools()
    for name, gate in config.gate.items():
        by_hand = gate.button is not None or config.starts_when_opened(name) or name not in served
        if by_hand and config.gate_collector(name) == collector:
            found.append(GateDemand(Asker.HAND, name, frozenset({name}), hoods=network.behind({name})))
    return tuple(found)


def _hoods(config: Config, tool: str, gates: Collection[str], network: Network) -> frozenset[str]:
    """Of the hoods behind each gate those that name the tool; else those that name none; else all."""
    found: set[str] = set()
    for gate in gates:
        hoods = {name: _names_of(config, name) for name in network.behind({gate})}
        own = {name for name, names in hoods.items() if tool in names}
        found |= own or {name for name, names in hoods.items() if not names & config.tool.keys()} or set(hoods)
    return frozenset(found)


def _names_of(config: Config, duct: str) -> frozenset[str]:
    hood = config.duct[duct].hood
    return frozenset(hood.tool or ()) if hood is not None else frozenset()
