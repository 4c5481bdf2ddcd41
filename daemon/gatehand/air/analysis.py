"""Looks at every set of gates that a shop can ask for: facts for `airflow`, and the warnings of `check`. No output."""

from collections.abc import Mapping, Sequence
from functools import cache
from typing import NamedTuple

from msgspec import Struct
from msgspec.structs import replace

from gatehand.air import air_words
from gatehand.air.duct_model import DuctSystem, duct_system, duct_systems
from gatehand.config import Config
from gatehand_air.cures import (
    INCHES,
    MILLIMETRES,
    MOST_ASSIST,
    Assist,
    LeastRunOn,
    MaxOpen,
    Size,
    assist,
    least_run_on,
    max_open,
    next_size,
    run_on,
)
from gatehand_air.ducting import Assessment, Ducting, Lack
from gatehand_air.gate_sets import Asker, GateDemand, GateSet
from gatehand_air.solve import Unsolved


class AssessedSet(Struct, frozen=True):
    """One set of open gates: who asks for it, how it does, and which gate would help where it is slow."""

    asked: GateSet
    assessment: Assessment
    helped: Assist | None

    @property
    def is_asked(self) -> bool:
        """Whether the config can ask for it; all gates at once may be shown although it cannot."""
        return bool(self.asked.demands)


class Proposals(Struct, frozen=True):
    """What would cure what falls short. `assists`: by tool; `run_ons`: every tool's least run-on."""

    max_open: MaxOpen
    assists: Mapping[str, Assist]
    run_ons: Sequence[LeastRunOn]
    sizes: Sequence[Size]


class Report(Struct, frozen=True):
    """One collector's ducts, looked at. `run_ons`: by tool, as configured, seconds."""

    system: DuctSystem
    run_ons: Mapping[str, float]
    views: tuple[AssessedSet, ...]
    proposals: Proposals


def analyse(config: Config, of: DuctSystem, only: frozenset[str] | None = None) -> Report:
    """All sets that can be asked for, or `only` one, and the proposals."""
    if only is None:
        asked = of.sets
        if all(one.gates != of.gates for one in asked):  # people want to know it, also where nobody can ask for it
            asked = (*asked, GateSet(of.gates, of.ducting.network.behind(of.gates), ()))
    else:
        who = tuple(d for d in of.demands if d.gates <= only)
        asked = (GateSet(only, of.ducting.network.behind(only), (who,)),)
    views = []
    for one in asked:
        assessment = of.ducting.assess(one.gates, one.dusty)
        views.append(AssessedSet(one, assessment, _help(of, one, assessment)))
    run_ons = {demand.name: config.tool[demand.name].run_on for demand in _tools(of)}
    return Report(of, run_ons, tuple(views), propose(config, of))


def propose(config: Config, of: DuctSystem, *, sizes: bool = True) -> Proposals:
    """What would cure what falls short for each demand by itself. `sizes`: also which duct limits; takes longer."""
    assists = {demand.name: help_ for demand in _tools(of) if (help_ := _cure(of, demand)) is not None}
    run_ons = []
    for demand in _tools(of):
        proposed = assists.get(demand.name)
        extra = demand.assist or (tuple(sorted(proposed.gates)) if proposed is not None and proposed.cures else ())
        served = replace(demand, assist=extra)
        least = run_on(of.ducting, served, spin_down(config, demand.hoods))
        if least is not None:
            run_ons.append(least)
    return Proposals(max_open(of.ducting, of.gates), assists, tuple(run_ons), _sizes(config, of) if sizes else ())


def spin_down(config: Config, hoods: frozenset[str]) -> float:
    """The longest spin-down given at some hoods, seconds."""
    return max((d.hood.spin_down for n, d in config.duct.items() if d.hood is not None and n in hoods), default=0.0)


def _tools(of: DuctSystem) -> list[GateDemand]:
    return [demand for demand in of.demands if demand.asker is Asker.TOOL]


def _cure(of: DuctSystem, demand: GateDemand) -> Assist | None:
    """The smallest set of further gates for one tool; as many as `max_open` leaves room for."""
    room = MOST_ASSIST if of.max_open is None else min(MOST_ASSIST, of.max_open - len(demand.gates))
    found = assist(of.ducting, demand.gates, demand.hoods, of.clean_air, room)
    return found if found is not None and (found.cures or not demand.assist) else None


def _help(of: DuctSystem, asked: GateSet, assessment: Assessment) -> Assist | None:
    """One further gate that helps a slow main; more than one is sought only by the proposals."""
    if not any(short.lack is Lack.SLOW_DUCT for short in assessment.shorts):
        return None
    return assist(of.ducting, asked.gates, asked.dusty, of.clean_air, 1)


def _sizes(config: Config, of: DuctSystem) -> tuple[Size, ...]:
    sold = INCHES if of.units.name == "us" else MILLIMETRES

    @cache
    def resized(sizes: tuple[tuple[str, float], ...]) -> Ducting:
        return duct_system(config, of.collector, dict(sizes)).ducting

    def resize(sizes: Mapping[str, float]) -> Ducting:
        return resized(tuple(sorted(sizes.items())))

    sets = of.sets
    asking: dict[tuple[frozenset[str], tuple[str, ...], frozenset[str]], GateDemand] = {}
    for demand in of.demands:
        asking.setdefault((demand.gates, demand.assist, demand.hoods), demand)
    return tuple(size for demand in asking.values() for size in next_size(of.ducting, demand, sets, sold, resize))


class AirWarning(NamedTuple):
    """A warning and the key path that it is about."""

    where: tuple[str, ...]
    message: str


def warnings(config: Config) -> tuple[AirWarning, ...]:
    """All warnings about the air of a config that has no errors; empty without ducts."""
    found: list[AirWarning] = []
    for of in duct_systems(config):
        proposals = propose(config, of, sizes=False)
        found += [w for demand in of.demands for w in _alone(of, demand, proposals)]
        found += [w for run_on in proposals.run_ons for w in _short_run_on(config, run_on)]
        found += _too_many_open(of, proposals)
    return tuple(found)


def _alone(system: DuctSystem, demand: GateDemand, proposals: Proposals) -> list[AirWarning]:
    """A tool or a hand start by itself that leaves the ducts beyond its own branch too slow, or has no answer."""
    say = system.say
    opens = system.admit([demand])
    if opens is None:
        return []
    assessment = system.ducting.assess(opens, demand.hoods)
    if isinstance(assessment.clean, Unsolved) and assessment.fails:
        text = air_words.air_sentence(opens, assessment.shorts[0], system.collector, say)
        return [AirWarning(("fan", system.collector, "curve"), text)]
    ends = {end.name for end in system.ducting.network.ends}
    slow = [s for s in assessment.fails if s.lack is Lack.SLOW_DUCT and s.where not in ends]
    if not slow:
        return []
    text = air_words.air_sentence(opens, min(slow, key=lambda short: short.share), system.collector, say)
    if demand.asker is Asker.HAND:
        return [AirWarning(("gate", demand.name), text)]
    cure = proposals.assists.get(demand.name)
    if cure is not None and cure.cures:
        text += f"; assist = {air_words.toml_list(cure.gates)} brings {say.velocity(cure.speed, word=False)}"
    return [AirWarning(("tool", demand.name, "assist" if demand.assist else "gates"), text)]


def _short_run_on(config: Config, least: LeastRunOn) -> list[AirWarning]:
    set_to = config.tool[least.tool].run_on
    wanted = least_run_on(least.spin_down, least.clearing)
    if set_to >= wanted:
        return []
    spins = f"the {least.spin_down:g} s spin-down, " if least.spin_down else ""
    text = (
        f"a run-on of {set_to:g} s is too short to clear the duct: dust takes {least.clearing:.1f} s to the collector,"
        f" and {spins}twice that and 1 s make {wanted:.1f} s; set run_on = {least.least:g}"
    )
    return [AirWarning(("tool", least.tool, "run_on"), text)]


def _too_many_open(system: DuctSystem, proposals: Proposals) -> list[AirWarning]:
    """More gates at once than the fan carries, or no limit at all where there is one."""
    carries = proposals.max_open
    if not carries.forbids(system.max_open):
        return []
    why = air_words.too_many(carries, system.collector, system.say)
    said = "there is no max_open, and" if system.max_open is None else f"max_open = {system.max_open} is too many:"
    text = f"{said} the fan carries {carries.gates} at once: {why}; set max_open = {carries.gates}"
    key = ("collector", system.collector) if system.max_open is None else ("collector", system.collector, "max_open")
    return [AirWarning(key, text)]
