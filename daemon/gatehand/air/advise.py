"""What `check` says about the air: too short a run-on, a `max_open` that the fan does not carry, a main too slow."""

from typing import NamedTuple

from gatehand.air import words
from gatehand.air.build import Shop, shops
from gatehand.air.look import Proposals, propose
from gatehand.config import Config
from gatehand_air.ducting import Asker, Demand, Lack
from gatehand_air.proposals import RunOn, least_run_on
from gatehand_air.solve import Unsolved


class AirWarning(NamedTuple):
    """A warning and the key path that it is about."""

    where: tuple[str, ...]
    message: str


def warnings(config: Config) -> tuple[AirWarning, ...]:
    """All warnings about the air of a config that has no errors; empty without ducts."""
    found: list[AirWarning] = []
    for shop in shops(config):
        proposals = propose(config, shop, sizes=False)
        found += [w for demand in shop.demands for w in _alone(shop, demand, proposals)]
        found += [w for run_on in proposals.run_ons for w in _run_on(config, run_on)]
        found += _max_open(shop, proposals)
    return tuple(found)


def _alone(shop: Shop, demand: Demand, proposals: Proposals) -> list[AirWarning]:
    """A tool or a hand start by itself that leaves the ducts beyond its own branch too slow, or has no answer."""
    say = words.Speaker(shop.units)
    picture = shop.ducting.look(demand.opens, demand.gates)
    if isinstance(picture.clean, Unsolved):
        text = words.unsolved(picture.clean, shop.collector, say)
        return [AirWarning(("fan", shop.collector, "curve"), f"{words.opened(demand.opens)}: {text}")]
    ends = {end.name for end in shop.ducting.network.ends}
    slow = [s for s in picture.shorts if s.lack is Lack.SLOW_DUCT and s.where not in ends]
    if not slow:
        return []
    worst = min(slow, key=lambda short: short.found / short.wanted)
    filter_ = " and a dirty filter" if worst.dirty else ""
    text = f"{words.opened(demand.opens)}{filter_} {words.slow(worst, [worst.where], say)}"
    if demand.asker is Asker.HAND:
        return [AirWarning(("gate", demand.name), text)]
    cure = proposals.assists.get(demand.name)
    if cure is not None and cure.cures:
        gates = ", ".join(f'"{gate}"' for gate in sorted(cure.gates))
        text += f"; assist = [{gates}] brings {say.velocity(cure.speed, word=False)}"
    return [AirWarning(("tool", demand.name, "assist" if demand.assist else "gates"), text)]


def _run_on(config: Config, least: RunOn) -> list[AirWarning]:
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


def _max_open(shop: Shop, proposals: Proposals) -> list[AirWarning]:
    """More gates at once than the fan carries, or no limit at all where there is one."""
    carries = proposals.max_open
    if carries.gates is None or carries.fails is None:
        return []
    if shop.max_open is not None and shop.max_open <= carries.gates:
        return []
    say = words.Speaker(shop.units)
    why = words.too_many(carries, shop.collector, say)
    said = "there is no max_open, and" if shop.max_open is None else f"max_open = {shop.max_open} is too many:"
    text = f"{said} the fan carries {carries.gates} at once: {why}; set max_open = {carries.gates}"
    key = ("collector", shop.collector) if shop.max_open is None else ("collector", shop.collector, "max_open")
    return [AirWarning(key, text)]
