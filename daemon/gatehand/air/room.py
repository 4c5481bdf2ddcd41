"""How much room each tool has, alone, before it falls short: in its machine, and in the filter as it clogs.

What a machine loses inside is the one figure of a duct that nobody draws: it is asked for as `machine_loss` of the
hood. Until it is given, the room says how much it may be.
"""

from collections.abc import Iterator, Sequence
from typing import Any, Final

from msgspec import Struct

from gatehand.air import air_words
from gatehand.air.duct_model import DuctSystem
from gatehand.terminal import columns
from gatehand_air.ducting import Lack
from gatehand_air.gate_sets import GateDemand
from gatehand_air.headroom import FilterRoom, MachineRoom, filter_room, machine_room

MOST_NAMED: Final = 4
"""Tools with the same room that a row names."""
NOTHING: Final = "nothing"
UNKNOWN: Final = "?"


class Behind(Struct, frozen=True):
    """A hood, what its machine may lose, and what it is said to lose, Pa/(m3/s)^2; None: nobody knows."""

    hood: str
    room: MachineRoom | None
    machine: float | None


class Room(Struct, frozen=True):
    """One demand alone. `at`: the flow, m3/s, at which the config gives the filter's loss, Pa clean and dirty.

    `most`: what the fan gives at the most, Pa.
    """

    demand: GateDemand
    machines: tuple[Behind, ...]
    filter: FilterRoom | None
    at: float | None
    clean: float
    dirty: float
    exponent: float
    most: float


def rooms(system: DuctSystem) -> tuple[Room, ...]:
    """Of every demand by itself whose hoods want something; the gates open as the rules open them."""
    found = []
    ducting = system.ducting
    for demand in system.demands:
        gates = system.admit([demand])
        if gates is None or not demand.hoods:
            continue
        machines = [
            Behind(hood, machine_room(ducting, gates, demand.hoods, hood), ducting.network.duct(hood).machine)
            for hood in sorted(demand.hoods)
        ]
        room = filter_room(ducting, gates, demand.hoods)
        at = system.filter_at
        flow = at if at is not None else room.flow if room is not None else 0.0
        clean, dirty = ducting.clean_filter.at(flow)[0], ducting.dirty_filter.at(flow)[0]
        most = max(pressure for _, pressure in ducting.fan.points)
        found.append(Room(demand, tuple(machines), room, at, clean, dirty, ducting.clean_filter.exponent, most))
    return tuple(found)


def room_as_text(found: Sequence[Room], say: air_words.Speaker) -> Iterator[str]:
    """A table, a line for each tool; nothing where no hood wants anything."""
    if not found:
        return
    first = found[0]
    now = f"loses {say.bare_pressure(first.clean)} clean, {say.bare_pressure(first.dirty)} dirty"
    at = f"; at {say.flow(first.at)} the filter {now}" if first.at is not None else ""
    yield f"what may be lost before something falls short, each alone ({say.units.pressure_word}{at}):"
    rows = [["", "its machine may lose", "the filter may lose", ""]]
    alike: dict[tuple[str, ...], list[str]] = {}
    for room in found:
        alike.setdefault((*_machines(room, say), *filter_cells(room, say)), []).append(air_words.asker(room.demand))
    rows += [[air_words.few(who, MOST_NAMED), *cells] for cells, who in alike.items()]
    yield from columns(rows, "  ")
    if first.dirty > first.clean:
        yield "What a machine may lose is worked out with a dirty filter."
    if any(machine.machine is None for room in found for machine in room.machines):
        yield "Nobody knows what a machine loses inside until its hood has machine_loss: ask its maker, or measure it."


def _machines(room: Room, say: air_words.Speaker) -> list[str]:
    parts = []
    for one in room.machines:
        left, given = "?", ""
        if one.room is not None:
            left = _left(one.room.loss, one.room.spread, say)
            left += "" if left == NOTHING else f" at {say.flow(one.room.flow)}"
            given = "" if one.machine is None else f" (it loses {say.bare_pressure(one.machine * one.room.flow**2)})"
        parts.append(f"{left}{given}" if len(room.machines) == 1 else f"{say.hood(one.hood)} {left}{given}")
    return ["; ".join(parts) or "-"]


def _left(loss: float, off: float, say: air_words.Speaker) -> str:
    """Such as "1.83 ± 0.90"; what only the upper end of the spread leaves is a perhaps."""
    if loss > 0:
        return say.give(loss, off, say.bare_pressure)
    return f"perhaps {say.pressure(loss + off, word=False)}" if loss + off > 0 else NOTHING


def filter_cells(room: Room, say: air_words.Speaker) -> list[str]:
    """What the filter may lose, and what falls short then."""
    left = room.filter
    if left is None:
        return [UNKNOWN, "the fan's curve does not tell"]
    flow = room.at if room.at is not None else left.flow
    loss, off = (left.carried(each, flow, room.exponent) for each in (left.loss, left.spread))
    where = f"the hood at {say.hood(left.where)}" if left.lack is Lack.HOOD_FLOW else f"duct {left.where}"
    if loss + off <= 0:
        return [NOTHING, f"{where} falls short even without a filter"]
    if loss - off > room.most:
        return [f"over {say.bare_pressure(room.most)}", f"all that the fan gives; {where} would fall short first"]
    unit = "" if room.at is not None else f" at {say.flow(flow)}"
    return [f"{_left(loss, off, say)}{unit}", f"then {where} falls short"]


def _said(one: Behind) -> float | None:
    """What the machine is said to lose at the same flow, Pa."""
    return None if one.machine is None or one.room is None else one.machine * one.room.flow**2


def room_as_json(system: DuctSystem) -> list[dict[str, Any]]:
    """The same for programs, numbers in the config's units."""
    of = system.units

    def six(value: float | None, unit: float) -> float | None:
        return None if value is None else air_words.significant(value / unit, 6)

    return [
        {
            "for": air_words.asker(room.demand),
            "machines": [
                {
                    "hood": one.hood,
                    "at": six(one.room.flow if one.room else None, of.flow),
                    "may_lose": six(one.room.loss if one.room else None, of.pressure),
                    "spread": six(one.room.spread if one.room else None, of.pressure),
                    "loses": six(_said(one), of.pressure),
                }
                for one in room.machines
            ],
            "filter": None
            if room.filter is None
            else {
                "may_lose": six(room.filter.loss, of.pressure),
                "spread": six(room.filter.spread, of.pressure),
                "at": six(room.filter.flow, of.flow),
                "then_short": room.filter.where,
            },
        }
        for room in rooms(system)
    ]
