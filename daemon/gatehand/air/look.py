"""Looks at every set of gates that a shop can ask for and gathers what `airflow` shows: facts, no text, no output."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache

from gatehand.air.build import Shop, shop
from gatehand.config import Config
from gatehand_air.ducting import Asked, Asker, Demand, Ducting, Lack, Picture, asked_sets
from gatehand_air.proposals import (
    INCHES,
    MILLIMETRES,
    MOST_ASSIST,
    Assist,
    MaxOpen,
    RunOn,
    Size,
    assist,
    max_open,
    next_size,
    run_on,
)


@dataclass(frozen=True, slots=True)
class View:
    """One set of open gates: who asks for it, how it does, and which gate would help where it is slow."""

    asked: Asked
    picture: Picture
    helped: Assist | None

    @property
    def is_asked(self) -> bool:
        """Whether the config can ask for it; all gates at once may be shown although it cannot."""
        return bool(self.asked.demands)


@dataclass(frozen=True, slots=True)
class Proposals:
    """What would cure what falls short. `assists`: by tool; `run_ons`: every tool's least run-on."""

    max_open: MaxOpen
    assists: Mapping[str, Assist]
    run_ons: Sequence[RunOn]
    sizes: Sequence[Size]


@dataclass(frozen=True, slots=True)
class Report:
    """One collector's ducts, looked at. `run_ons`: by tool, as configured, seconds."""

    shop: Shop
    run_ons: Mapping[str, float]
    views: tuple[View, ...]
    proposals: Proposals


def look(config: Config, of: Shop, only: frozenset[str] | None = None) -> Report:
    """All sets that can be asked for, or `only` one, and the proposals."""
    if only is None:
        asked = asked_sets(of.demands, of.gates, of.max_open)
    else:
        asked = (Asked(only, only, (tuple(d for d in of.demands if d.opens <= only),)),)
    views = []
    for one in asked:
        picture = of.ducting.look(one.gates, one.dusty)
        views.append(View(one, picture, _help(of, one, picture)))
    run_ons = {demand.name: config.tool[demand.name].run_on for demand in _tools(of)}
    return Report(of, run_ons, tuple(views), propose(config, of))


def propose(config: Config, of: Shop, *, sizes: bool = True) -> Proposals:
    """What would cure what falls short for each demand by itself. `sizes`: also which duct limits; takes longer."""
    assists = {demand.name: help_ for demand in _tools(of) if (help_ := _cure(of, demand)) is not None}
    run_ons = []
    for demand in _tools(of):
        proposed = assists.get(demand.name)
        extra = demand.assist or (proposed.gates if proposed is not None and proposed.cures else frozenset())
        served = Demand(demand.asker, demand.name, demand.gates, frozenset(extra))
        least = run_on(of.ducting, served, spin_down(config, demand.gates))
        if least is not None:
            run_ons.append(least)
    return Proposals(max_open(of.ducting, of.gates), assists, tuple(run_ons), _sizes(config, of) if sizes else ())


def spin_down(config: Config, gates: frozenset[str]) -> float:
    """The longest spin-down given at the hoods behind some gates, seconds."""
    return max((d.hood.spin_down for d in config.duct.values() if d.hood is not None and d.gate in gates), default=0.0)


def _tools(of: Shop) -> list[Demand]:
    return [demand for demand in of.demands if demand.asker is Asker.TOOL]


def _cure(of: Shop, demand: Demand) -> Assist | None:
    """The smallest set of further gates for one tool; as many as `max_open` leaves room for."""
    room = MOST_ASSIST if of.max_open is None else min(MOST_ASSIST, of.max_open - len(demand.gates))
    found = assist(of.ducting, demand.gates, demand.gates, of.clean_air, room)
    return found if found is not None and (found.cures or not demand.assist) else None


def _help(of: Shop, asked: Asked, picture: Picture) -> Assist | None:
    """One further gate that helps a slow main; more than one is sought only by the proposals."""
    if not any(short.lack is Lack.SLOW_DUCT for short in picture.shorts):
        return None
    return assist(of.ducting, asked.gates, asked.dusty, of.clean_air, 1)


def _sizes(config: Config, of: Shop) -> tuple[Size, ...]:
    sold = INCHES if of.units.name == "us" else MILLIMETRES

    @cache
    def resized(sizes: tuple[tuple[str, float], ...]) -> Ducting:
        return shop(config, of.collector, dict(sizes)).ducting

    def resize(sizes: Mapping[str, float]) -> Ducting:
        return resized(tuple(sorted(sizes.items())))

    sets = [one for one in asked_sets(of.demands, of.gates, of.max_open) if one.demands]
    asking: dict[tuple[frozenset[str], frozenset[str]], Demand] = {}
    for demand in of.demands:
        asking.setdefault((demand.opens, demand.gates), demand)
    return tuple(size for demand in asking.values() for size in next_size(of.ducting, demand, sets, sold, resize))
