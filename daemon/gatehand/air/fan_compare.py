"""`airflow --fan NAME`: the same ducts on another fan of the config, side by side. Facts first, then words."""

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from msgspec import Struct
from msgspec.structs import replace

from gatehand.air import air_words
from gatehand.air.analysis import AssessedSet, Report
from gatehand.air.duct_model import DuctSystem, duct_system
from gatehand.air.room import UNKNOWN, Room, filter_cells, rooms
from gatehand.config import Config
from gatehand.terminal import columns
from gatehand_air.answers import assess_all
from gatehand_air.ducting import Assessment
from gatehand_air.gate_sets import GateDemand, GateSet
from gatehand_air.solve import Solution
from gatehand_air.spread import spread


def with_fan(config: Config, collector: str, fan: str) -> Config:
    """The config with another of its fans at a collector. One without a filter gets the one there."""
    other = config.fan[fan]
    if other.filter_loss is None:
        other = other.model_copy(update={"filter_loss": config.fan[collector].filter_loss})
    return config.model_copy(update={"fan": {**config.fan, collector: other}})


class OnFan(Struct, frozen=True):
    """One set on one fan: how it does, and with a demand alone the room before it falls short."""

    system: DuctSystem
    assessment: Assessment
    room: Room | None


class BothFans(Struct, frozen=True):
    """One set of gates on the collector's own fan and on the other."""

    asked: GateSet
    own: OnFan
    other: OnFan


class OtherLook(Struct, frozen=True):
    """The sets of a report on the other fan, for the drawing."""

    system: DuctSystem
    views: tuple[AssessedSet, ...]


def looked_with(config: Config, report: Report, fan: str) -> OtherLook:
    """The sets of a report again, on another fan."""
    other = duct_system(with_fan(config, report.system.collector, fan), report.system.collector)
    asked = [view.asked for view in report.views]
    views = zip(asked, assess_all(other.ducting, asked), strict=True)
    return OtherLook(other, tuple(AssessedSet(one, assessment, None) for one, assessment in views))


def both_fans(config: Config, own: DuctSystem, fan: str, only: frozenset[str] | None = None) -> tuple[BothFans, ...]:
    """Every set that can be asked for (or `only` those gates), on both fans."""
    other = duct_system(with_fan(config, own.collector, fan), own.collector)
    left, right = ({room.demand: room for room in rooms(each)} for each in (own, other))
    asked = own.sets if only is None else (GateSet(only, own.ducting.network.behind(only), ()),)

    def on(system: DuctSystem, found: Mapping[GateDemand, Room]) -> list[OnFan]:
        alone = [found.get(one.demands[0][0]) if one.together == 1 else None for one in asked]
        assessed = assess_all(system.ducting, asked)
        return [OnFan(system, assessment, room) for assessment, room in zip(assessed, alone, strict=True)]

    return tuple(map(BothFans, asked, on(own, left), on(other, right)))


def fans_as_text(found: Sequence[BothFans], collector: str, fan: str) -> Iterator[str]:
    """Two tables: the air of every set, and what the filter may lose before a tool falls short."""
    if not found:
        return
    say, at = found[0].own.system.say, found[0].own.system.filter_at
    if collector == fan:
        yield f"collector {collector}: fan {fan} is its own, so there is nothing to compare"
        return
    both = (found[0].own.system.ducting, found[0].other.system.ducting)
    dirty = ", flows with a dirty filter" if any(each.dirty is not each.clean for each in both) else ""
    yield f"collector {collector}: its own fan beside fan {fan}{dirty}"
    yield from columns(
        [
            ["open", f"{collector}, {say.units.flow_word}", "verdict", f"{fan}, {say.units.flow_word}", "verdict"],
            *([_opens(one, found), *_cells(one.own, say), *_cells(one.other, say)] for one in found),
        ],
        "  ",
    )
    alone = [one for one in found if one.own.room is not None and one.other.room is not None]
    if not alone:
        return
    yield ""
    where = f" at {say.flow(at)}" if at is not None else ""
    yield f"what the filter may lose{where}, {say.units.pressure_word}, before something falls short:"
    rows = [["", collector, fan]]
    for one in alone:
        who = ", ".join(air_words.asker(together[0]) for together in one.asked.demands if len(together) == 1)
        rows.append([who, _room(one.own, at, say), _room(one.other, at, say)])
    yield from columns(rows, "  ")


def _opens(one: BothFans, found: Sequence[BothFans]) -> str:
    """The gates; and who asks, where others ask for the same gates with dust at another hood."""
    gates = ", ".join(sorted(one.asked.gates)) or "(no gate)"
    alike = sum(other.asked.gates == one.asked.gates for other in found) > 1
    return f"{gates} ({air_words.askers(one.asked)})" if alike else gates


def _cells(one: OnFan, say: air_words.Speaker) -> list[str]:
    """The flow with its half-width, and the verdict."""
    answer = one.assessment.dirty
    if not isinstance(answer, Solution):
        return [air_words.over(answer, say), air_words.verdict(one.assessment, say)]
    return [say.give(answer.flow, _half(one, answer), say.bare_flow), air_words.verdict(one.assessment, say)]


def _half(one: OnFan, answer: Solution) -> float:
    """Half-width of the fan's flow, m3/s."""
    ducting = one.system.ducting
    return spread(ducting.dirty, one.assessment.gates, answer, ducting.ignorance).flows[ducting.network.root.name]


def _room(one: OnFan, at: float | None, say: air_words.Speaker) -> str:
    """As the report without --fan has it."""
    if one.room is None:
        return "the fan's curve does not tell"
    loss, then = filter_cells(replace(one.room, at=at), say)
    return f"{loss}, {then}" if loss != UNKNOWN else then


def fans_as_json(found: Sequence[BothFans], collector: str, fan: str) -> dict[str, Any]:
    """The same for programs, numbers in the config's units."""

    def one_side(one: OnFan) -> dict[str, Any]:
        answer, of = one.assessment.dirty, one.system.units
        left = one.room.filter if one.room is not None else None
        off = _half(one, answer) if isinstance(answer, Solution) else None
        return {
            "flow": air_words.significant(answer.flow / of.flow, 6) if isinstance(answer, Solution) else None,
            "spread": None if off is None else air_words.significant(off / of.flow, 6),
            "verdict": air_words.verdict(one.assessment, one.system.say),
            "filter_may_lose": None if left is None else air_words.significant(left.loss / of.pressure, 6),
            "filter_spread": None if left is None else air_words.significant(left.spread / of.pressure, 6),
            "at": None if left is None else air_words.significant(left.flow / of.flow, 6),
        }

    return {
        "collector": collector,
        "fan": fan,
        "sets": [
            {
                "open": sorted(one.asked.gates),
                "asked_by": [[air_words.asker(demand) for demand in together] for together in one.asked.demands],
                "own": one_side(one.own),
                "other": one_side(one.other),
            }
            for one in found
        ],
    }
