"""Numbers, names and shortfalls as a person reads them, from the facts of `gatehand_air` alone."""

from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from typing import Final

from msgspec import Struct

from gatehand.text import listed
from gatehand_air.assists import Help
from gatehand_air.ducting import Assessment, Lack, Short, Verdict
from gatehand_air.gate_sets import Asker, GateDemand, GateSet
from gatehand_air.properties import Units
from gatehand_air.solve import Unsolved, Why


class Speaker(Struct, frozen=True):
    """Turns SI values into the shop's units, with their words; `labels`: what a hood is called."""

    units: Units
    labels: Mapping[str, str]

    def hood(self, name: str) -> str:
        """What a person calls a hood."""
        return self.labels.get(name, name)

    def flow(self, value: float, *, word: bool = True) -> str:
        """A flow, whole."""
        return self._put(value / self.units.flow, 0, self.units.flow_word if word else "")

    def bare_flow(self, value: float) -> str:
        """A flow without its unit."""
        return self.flow(value, word=False)

    def bare_velocity(self, value: float) -> str:
        """A velocity without its unit."""
        return self.velocity(value, word=False)

    def bare_pressure(self, value: float) -> str:
        """A pressure without its unit."""
        return self.pressure(value, word=False)

    def pressure(self, value: float, *, word: bool = True) -> str:
        """A pressure: in.w.g. with two places, Pa whole."""
        return self._put(
            value / self.units.pressure, 2 if self.units.name == "us" else 0, self.units.pressure_word if word else ""
        )

    def give(self, value: float, spread: float, put: Callable[[float], str]) -> str:
        """A value with its half-width, such as "788 ± 41"; without one where that is nothing."""
        return f"{put(value)} ± {put(spread)}" if spread > 0 else put(value)

    def velocity(self, value: float, *, word: bool = True) -> str:
        """A velocity: ft/min to tens, m/s with one place."""
        shown = value / self.units.velocity
        places = 0 if self.units.name == "us" else 1
        return self._put(round(shown, -1) if places == 0 else shown, places, self.units.velocity_word if word else "")

    def diameter(self, value: float) -> str:
        """A duct's size."""
        return f"{value / self.units.diameter:.4g} {self.units.diameter_word}"

    @staticmethod
    def _put(value: float, places: int, word: str) -> str:
        return f"{value:,.{places}f} {word}".rstrip()


def names(some: Collection[str]) -> str:
    """Names in order: "a, b and c"."""
    return listed(sorted(some), last="and")


MOST_NAMED: Final = 3
"""Names in a row."""


def few(some: Sequence[str], most: int = MOST_NAMED) -> str:
    """The first of them, and how many more: "main, row and 4 more"."""
    if len(some) <= most:
        return listed(some, last="and")
    return f"{', '.join(some[: most - 1])} and {len(some) - most + 1} more"


def toml_list(gates: Sequence[str]) -> str:
    """Such as `["sweep", "planing"]`, in the order given."""
    return "[" + ", ".join(f'"{gate}"' for gate in gates) + "]"


def significant(value: float, digits: int) -> float:
    """Rounded to so many digits: more would claim what nobody knows."""
    return float(f"{value:.{digits}g}")


def sets(some: Sequence[Collection[str]]) -> str:
    """Sets of gates, the first three named: "band_saw with planing; router"."""
    shown = "; ".join(" with ".join(sorted(gates)) for gates in some[:3])
    return shown + (f" and {len(some) - 3} more sets" if len(some) > 3 else "")  # noqa: PLR2004


def opened(gates: Collection[str]) -> str:
    """Such as "with sweep alone", "with bench and sweep open"."""
    if not gates:
        return "with every gate shut"
    return f"with {names(gates)} {'alone' if len(gates) == 1 else 'open'}"


def asker(demand: GateDemand) -> str:
    """Who asks: "tool band_saw", "hand start at sweep"."""
    return f"tool {demand.name}" if demand.asker is Asker.TOOL else f"hand start at {demand.name}"


def askers(asked: GateSet) -> str:
    """All ways that lead to a set, the first three named."""
    ways = [" with ".join(asker(demand) for demand in together) for together in asked.demands]
    shown = "; ".join(way if way.count(" with ") < 4 else "everything at once" for way in ways[:3])  # noqa: PLR2004
    return shown + (f"; and {len(ways) - 3} more ways" if len(ways) > 3 else "")  # noqa: PLR2004


def unsolved(answer: Unsolved, collector: str, say: Speaker) -> str:
    """Why there are no flows, and what to do."""
    match answer.why:
        case Why.ALL_SHUT:
            return "no gate is open: no air moves"
        case Why.BEYOND_CURVE:
            end = f"more than {say.flow(answer.limit or 0.0)}, where its curve ends"
            return f"the fan would move {end}: beyond it nothing is known; give [fan.{collector}] more points"
        case Why.BEFORE_CURVE:
            start = f"less than {say.flow(answer.limit or 0.0)}, where its curve begins"
            return f"the fan would move {start}: before it nothing is known; give [fan.{collector}] more points"
        case Why.NOT_CONVERGED:
            return "the flows could not be worked out to the accuracy asked for: no figures are given"


def shortfalls(
    assessment: Assessment, collector: str, say: Speaker, helped: Help | None = None, *, whole: bool = True
) -> tuple[str, ...]:
    """What falls short in one set, a sentence each.

    `helped`: a gate that lets a slow main or trunk carry dust. `whole`: each sentence names the open gates.
    """
    if not assessment.gates and assessment.shorts and isinstance(assessment.clean, Unsolved):
        return (unsolved(assessment.clean, collector, say),)
    found = []
    for short, ducts in _grouped(assessment.shorts):
        hint = _helped(helped, say) if helped is not None and helped.slow.where in ducts else ""
        gates, most = (assessment.gates, None) if whole else (None, MOST_NAMED)
        found.append(air_sentence(gates, short, collector, say, ducts, most=most) + hint)
    return tuple(found)


def verdict(assessment: Assessment, say: Speaker) -> str:
    """What is the matter with one set, the worst first, and where; so short that it fits a line of a table."""
    fails = assessment.fails
    unknown = next((short.answer for short in fails if short.answer is not None), None)
    short = [s for s in fails if s.answer is None]
    if settling := [s.where for s in short if s.settles]:
        text = f"dust settles in {_few(settling)}"
    elif short:
        text = _shorts(short, say)
    elif unknown is not None:
        return _UNKNOWN.get(unknown.why, "no answer")
    else:
        return "too close to call" if assessment.shorts else "well"
    return f"{text}, dirty filter" if all(s.dirty for s in short) else text


def _shorts(short: Sequence[Short], say: Speaker) -> str:
    """Such as "planing short", "planing short and row slow", "row slow": a hood gets too little, a duct is too slow."""
    hoods = list(dict.fromkeys(say.hood(s.where) for s in short if s.lack is Lack.HOOD_FLOW))
    ducts = [s.where for s in short if s.lack is Lack.SLOW_DUCT and s.where not in hoods]
    return " and ".join(f"{_few(some)} {what}" for some, what in ((hoods, "short"), (ducts, "slow")) if some)


def _few(some: Sequence[str]) -> str:
    """The first two of them, and how many more."""
    return names(some) if len(some) <= 2 else f"{some[0]} and {len(some) - 1} more"  # noqa: PLR2004


BOUND: Final = {Why.BEYOND_CURVE: "over", Why.BEFORE_CURVE: "under"}
"""The fan's flow against the end of its curve."""


def over(answer: Unsolved, say: Speaker) -> str:
    """What is known of the fan's flow where there is none: such as "over 1,400"."""
    side = BOUND.get(answer.why)
    return "?" if side is None else f"{side} {say.flow(answer.limit or 0.0, word=False)}"


_UNKNOWN: Final = {
    Why.ALL_SHUT: "no air: every gate is shut",
    Why.BEYOND_CURVE: "unknown: beyond the fan's curve",
    Why.BEFORE_CURVE: "unknown: before the fan's curve",
}


def air_sentence(
    gates: Collection[str] | None,
    short: Short,
    collector: str,
    say: Speaker,
    ducts: Sequence[str] = (),
    *,
    most: int | None = None,
) -> str:
    """One shortfall; `gates` are named unless they are plain from where it stands.

    `ducts`: all that are slow alike, of which `most` are named.
    """
    where = opened(gates) if gates is not None else ""
    if short.dirty:
        where = f"{where} and a dirty filter" if where else "with a dirty filter"
    comma = f"{where}, " if where else ""
    match short.lack:
        case Lack.NO_ANSWER:
            text = unsolved(short.answer, collector, say) if short.answer else ""
            return f"{where}: {text}" if where else text
        case Lack.HOOD_FLOW:
            flow = say.flow(short.found, word=False)
            off = say.flow(short.spread, word=False)
            text = (
                f"{comma}the hood at {say.hood(short.where)} gets {flow} ± {off} of the {say.flow(short.wanted)} wanted"
            )
            return f"{text}: too close to call" if short.verdict is Verdict.CLOSE else text
        case Lack.SLOW_DUCT:
            return f"{comma}{_slow(short, ducts or [short.where], say, most)}"


def _slow(short: Short, ducts: Sequence[str], say: Speaker, most: int | None) -> str:
    """Such as "main runs at 1,650 ± 120 ft/min, not the 3,500 wanted: sawdust settles", and its milder forms."""
    off, wanted = say.velocity(short.spread, word=False), say.velocity(short.wanted, word=False)
    found = f"{say.velocity(short.found, word=False)} ± {off} {say.units.velocity_word}"
    what = f"{few(sorted(ducts), most or len(ducts))} {'runs' if len(ducts) == 1 else 'run'} at {found}"
    if short.verdict is Verdict.CLOSE:
        return f"{what}, and {wanted} is wanted: too close to call"
    return f"{what}, not the {wanted} wanted: {'sawdust settles' if short.settles else 'dust may stay behind'}"


def _helped(helped: Help, say: Speaker) -> str:
    """Such as "; with sweep open as well it would run at 3,700"; another tool's gate is named as that."""
    speed = say.velocity(helped.speed, word=False)
    whose = f" (the gate of {names(helped.tools)})" if helped.tools else ""
    short = "" if helped.cures else ", still too slow"
    return f"; with {helped.gate}{whose} open as well it would run at {speed}{short}"


def _grouped(shorts: Sequence[Short]) -> list[tuple[Short, list[str]]]:
    """Ducts that are slow alike (a main of several lengths) go together."""
    found: list[tuple[Short, list[str]]] = []
    for short in shorts:
        for other, ducts in found:
            alike = short.lack is Lack.SLOW_DUCT and short.lack == other.lack and short.dirty == other.dirty
            if alike and abs(short.found - other.found) < 1e-6 * other.found and short.wanted == other.wanted:
                ducts.append(short.where)
                break
        else:
            found.append((short, [short.where]))
    return found


def merged(rows: Iterable[list[str]]) -> Iterator[list[str]]:
    """Ducts of one size that have the same air (a main of several lengths) in one row."""
    alike: dict[tuple[str, ...], list[str]] = {}
    for first, *cells in rows:
        kind, _, name = first.partition(" ")
        name, _, size = name.rpartition(", ") if kind == "duct" else (name, "", "")
        alike.setdefault((kind, size if kind == "duct" else name, *cells), []).append(name)
    for (kind, size, *cells), names in alike.items():
        yield [f"{kind} {names[0]}" if kind != "duct" else f"{_ducts_word(names)}, {size}", *cells]


def _ducts_word(names: Sequence[str]) -> str:
    return f"duct{'s' if len(names) > 1 else ''} {few(names)}"
