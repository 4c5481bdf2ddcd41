"""The warnings of `check` about the air, each at the key that it is about: of the config as it is."""

from typing import NamedTuple

from gatehand.air import air_words
from gatehand.air.analysis import Study
from gatehand.air.duct_model import duct_systems
from gatehand.config import Config
from gatehand.text import named
from gatehand_air.ducting import Lack, Verdict
from gatehand_air.gate_sets import Asker, GateDemand
from gatehand_air.run_on import LeastRunOn
from gatehand_air.told import Cure


class AirWarning(NamedTuple):
    """A warning and the key path that it is about."""

    where: tuple[str, ...]
    message: str


def warnings(config: Config) -> tuple[AirWarning, ...]:
    """All warnings about the air of a config that has no errors; empty without ducts."""
    found: list[AirWarning] = []
    for of in duct_systems(config):
        study = Study(config, of)
        cure = study.cure()
        found += _unknown(study)
        found += [w for demand in of.demands for w in _alone(study, demand, cure)]
        found += [w for run_on in study.least_run_ons(study.kept) for w in _short_run_on(config, run_on)]
        found += _limit(study, cure)
    return tuple(found)


def _unknown(study: Study) -> list[AirWarning]:
    """Demands by themselves of which the fan's curve does not tell enough: the first, and how many more."""
    of = study.of
    cases = [case for demand in of.demands if (case := study.search.case(study.kept, demand)) is not None]
    distinct = list(dict.fromkeys(case for case in cases if study.book.look(case).unknown))
    if not distinct:
        return []
    short = next(short for short in study.book.look(distinct[0]).shorts if short.verdict is Verdict.UNKNOWN)
    more = f" (the same with {named(len(distinct) - 1, 'more set')} of gates)" if len(distinct) > 1 else ""
    text = air_words.air_sentence(distinct[0].gates, short, of.collector, of.say) + more
    return [AirWarning(("fan", of.collector, "curve"), text)]


def _alone(study: Study, demand: GateDemand, cure: Cure) -> list[AirWarning]:
    """A tool or a hand start that by itself leaves the ducts beyond its own branch too slow."""
    of, say = study.of, study.of.say
    case = study.search.case(study.kept, demand)
    if case is None:
        return []
    assessment = of.ducting.assess(case.gates, case.dusty)
    ends = {end.name for end in of.ducting.network.ends}
    slow = [s for s in assessment.fails if s.lack is Lack.SLOW_DUCT and s.where not in ends]
    if not slow:
        return []
    worst = min(slow, key=lambda short: short.share)
    text = air_words.air_sentence(case.gates, worst, of.collector, say)
    if demand.asker is Asker.HAND:
        return [AirWarning(("gate", demand.name), text)]
    proposed = study.search.case(cure.whole, demand)
    if proposed is not None and proposed != case and study.book.look(proposed).well:
        values = [f"assist = {air_words.toml_list(cure.whole.assists[demand.name])}"]
        values = values if demand.name in cure.changed else []
        values += [f"max_open = {cure.whole.max_open}"] if cure.limits else []
        speed = say.velocity(study.book.speed(proposed, worst.where), word=False)
        text += f"; {' and '.join(values)} {'raises' if len(values) == 1 else 'raise'} it to {speed}"
    return [AirWarning(("tool", demand.name, "assist" if demand.assist else "gates"), text)]


def _short_run_on(config: Config, least: LeastRunOn) -> list[AirWarning]:
    set_to = config.tool[least.tool].run_on
    if set_to >= least.wanted:
        return []
    spins = f"the {least.spin_down:g} s spin-down, " if least.spin_down else ""
    text = (
        f"a run-on of {set_to:g} s is too short to clear the duct: dust takes up to {least.clearing:.1f} s to the "
        f"collector {air_words.opened(least.gates)}, and {spins}twice that and 1 s come to {least.least:g} s in "
        f"whole seconds; set run_on = {least.least:g}"
    )
    return [AirWarning(("tool", least.tool, "run_on"), text)]


def _limit(study: Study, cure: Cure) -> list[AirWarning]:
    """More gates at once than the fan carries, no limit at all where there is one, or no room for an assist."""
    of, limit = study.of, cure.whole.max_open
    key = ("collector", of.collector) if of.max_open is None else ("collector", of.collector, "max_open")
    if not cure.limits:
        return _beyond(study, cure, key)
    if cure.cured_sets and limit is not None and (of.max_open is None or limit < of.max_open):
        bad = cure.cured_sets[0]
        why = air_words.air_sentence(bad.case.gates, bad.shorts[0], of.collector, of.say)
        carries = "" if cure.left_sets else f"the fan carries {limit} at once: "
        none = "there is no max_open, and " if carries else "there is no max_open: "
        said = none if of.max_open is None else f"max_open = {of.max_open} is too many: "
        return [AirWarning(key, f"{said}{carries}{why}; set max_open = {limit}")]
    if cure.cured and of.max_open is not None:
        tools = air_words.names([one.demand.name for one in cure.cured])
        text = f"max_open = {of.max_open} leaves no room for the assist gates of {tools}; set max_open = {limit}"
        return [AirWarning(key, text)]
    return []


def _beyond(study: Study, cure: Cure, key: tuple[str, ...]) -> list[AirWarning]:
    """The best `max_open` is the one configured, and lets sets open all the same that the fan does not carry."""
    if not cure.left_sets:
        return []
    of, first = study.of, cure.left_sets[0]
    said = "without a max_open" if of.max_open is None else f"with max_open = {of.max_open}"
    more = len(cure.left_sets) - 1
    also = f"; {named(more, 'more set')} of gates {'falls' if more == 1 else 'fall'} short" if more else ""
    why = air_words.air_sentence(first.case.gates, first.shorts[0], of.collector, of.say)
    text = f"the fan does not carry all that can open {said}: {why}{also}; no other max_open does better"
    return [AirWarning(key, text)]
