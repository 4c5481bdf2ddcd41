"""What only the whole config can tell about its ducts: loops, ends without a hood, gates and tools amiss, sudden steps.

Works on the tables as written; what a step costs is worked out in `gatehand.air`. No formula, no I/O. Numbers that no
shop has are the business of `check_air.py`.
"""

from collections.abc import Iterator, Mapping
from typing import Final

from gatehand.config import codes
from gatehand.config.check_air import is_diameter
from gatehand.config.ducts import DuctTable
from gatehand.config.model import Config
from gatehand.config.partial import Partial
from gatehand.config.problems import Fault, KeyPath
from gatehand.text import listed, named, nearest
from gatehand_air.properties import units

_OWN: Final = ("fan", "duct")
_READ: Final = ("collector", "gate", "tool")
MEETINGS: Final = ("wye", "tee")
"""How the names of fittings begin at which a duct meets another: there the air leaves it."""


def check_ducts(partial: Partial) -> Iterator[Fault]:
    """Every fault of the ducts; where something of them, or a table that is read here, is not whole, none."""
    for bad in partial.spoilt:
        if not bad or bad[0] in _OWN or (bad[0] in _READ and len(bad) <= 2):  # noqa: PLR2004 - a table with a name
            return
    config = partial.config
    yield from [*_shape(config.duct)] or _collectors(config)
    if all(duct.into is None or duct.into in config.duct for duct in config.duct.values()):
        yield from _order(config)
        yield from _steps(config)
        yield from _hoods(partial)


def _shape(ducts: Mapping[str, DuctTable]) -> Iterator[Fault]:
    """Loops, joints with a hood, ends without one, gates in two ducts or two on one way, ends that lose nothing."""
    joints = {duct.into for duct in ducts.values()}
    first: dict[str, str] = {}
    for name, duct in ducts.items():
        path = ("duct", name)
        beyond = [*_towards_fan(ducts, name)][1:]
        gated = next((each for each in beyond if ducts[each].gate is not None), None)
        if duct.gate is not None and first.setdefault(duct.gate, name) != name:
            text = f"gate {duct.gate!r} is in duct {first[duct.gate]!r} already"
            if first[duct.gate] in beyond:
                text += f", on the way from {name!r} to the fan, and there it is for all its hoods: leave it out here"
            else:
                text += "; for several hoods behind one gate put it into the duct that they all run into"
            yield Fault((*path, "gate"), codes.BAD_DUCT, text)
        elif duct.gate is not None and gated is not None and ducts[gated].gate != duct.gate:
            text = (
                f"gate {duct.gate!r} is here, and gate {ducts[gated].gate!r} is in duct {gated!r} on the same way to"
                " the fan: one gate on each way, so take one of them out"
            )
            yield Fault((*path, "gate"), codes.BAD_DUCT, text)
        if name in joints and duct.hood is not None:
            text = f"a duct with a hood ends there, yet other ducts run into {name!r}: give the hood a duct of its own"
            yield Fault((*path, "hood"), codes.BAD_DUCT, text)
        if name not in joints and duct.gate is None and duct.hood is None:
            text = "a gate or a hood" if gated is None else f"a hood (gate {ducts[gated].gate!r} is on its way already)"
            yield Fault(path, codes.BAD_DUCT, f"no duct runs into it, so it needs {text}")
        if _comes_back(ducts, name):
            text = f"following `into` from {name!r} comes back to it: a tree has no loop"
            yield Fault((*path, "into"), codes.BAD_DUCT, text)
        if name not in joints and _loses_nothing(duct):
            text = (
                f"the air loses nothing in {name!r}: no length, no fitting, an entry of 0, so nobody can tell how much"
                ' it draws; give its length, or the hood\'s entry, such as entry = "plain"'
            )
            yield Fault((*path, "length"), codes.LOSES_NOTHING, text)


def _towards_fan(ducts: Mapping[str, DuctTable], start: str) -> Iterator[str]:
    """A duct and those that its air passes on the way to the fan, each once."""
    seen: set[str] = set()
    here: str | None = start
    while here is not None and here in ducts and here not in seen:
        yield here
        seen.add(here)
        here = ducts[here].into


def _comes_back(ducts: Mapping[str, DuctTable], start: str) -> bool:
    return any(ducts[name].into == start for name in _towards_fan(ducts, start))


def _loses_nothing(duct: DuctTable) -> bool:
    """Whether an end has neither length nor fitting, and a hood that loses nothing."""
    if duct.length > 0 or duct.hood is None or duct.hood.entry != 0:
        return False
    costs = any(each.name is not None or each.k or each.reducer not in {None, duct.diameter} for each in duct.fittings)
    return not costs and (duct.hood.machine_loss is None or duct.hood.machine_loss.loss == 0)


def root_of(ducts: Mapping[str, DuctTable], name: str) -> str:
    """The duct at the collector that `name` leads to. For checked ducts only: no loops, no missing names."""
    while (into := ducts[name].into) is not None:
        name = into
    return name


def collector_of(config: Config, root: str) -> str | None:
    """Whose fan draws on this root: as said, by its name, by its gates, or the only one; None when unclear."""
    named_one = config.duct[root].collector
    if named_one is not None:
        return named_one
    if root in config.collector:
        return root
    ending = (duct.gate for name, duct in config.duct.items() if duct.gate and root_of(config.duct, name) == root)
    homes = {home for gate in ending if gate in config.gate and (home := config.gate[gate].collector) is not None}
    if len(homes) != 1:
        homes = set(config.collector)
    return homes.pop() if len(homes) == 1 else None


def _collectors(config: Config) -> Iterator[Fault]:
    """One root for each collector, a fan for each root, each gate at its own collector's duct."""
    first: dict[str, str] = {}
    for name, duct in config.duct.items():
        path = ("duct", name)
        home = collector_of(config, root_of(config.duct, name))
        if duct.into is None:
            if home is None:
                yield Fault(path, codes.WHICH_COLLECTOR, "which collector draws on it is unclear: add `collector`")
            elif first.setdefault(home, name) != name:
                text = f"collector {home!r} already has {first[home]!r} without `into`: one each, so add `into`"
                yield Fault(path, codes.BAD_DUCT, text)
            elif home not in config.fan:
                yield Fault(path, codes.NO_FAN, _no_fan(config, home))
        own = config.gate[duct.gate].collector if duct.gate in config.gate else None
        if own is not None and home is not None and own != home:
            text = f"gate {duct.gate!r} is at collector {own!r}, this duct at {home!r}"
            yield Fault((*path, "gate"), codes.TWO_COLLECTORS, text)


def _no_fan(config: Config, collector: str) -> str:
    spare = [f"[fan.{name}]" for name in config.fan if name not in config.collector]
    text = f"collector {collector!r} has ducts but no [fan.{collector}] with its curve"
    if not spare:
        return text
    return f"{text}; {listed(spare, last='and')} {'is' if len(spare) == 1 else 'are'} only there to compare with"


def is_meeting(fitting: str | None, *words: str) -> bool:
    """Whether a fitting's name is that of a wye or a tee; with `words`, of one of these."""
    return fitting is not None and fitting.startswith(words or MEETINGS)


def _order(config: Config) -> Iterator[Fault]:
    """A wye before a reducer: the air meets it last, so the list seems to be in another order. A reducer to no end."""
    word = units(config.airflow.units).diameter_word
    for name, duct in config.duct.items():
        size = duct.diameter
        for number, fitting in enumerate(duct.fittings):
            path = ("duct", name, "fittings", number)
            after = [each.reducer for each in duct.fittings[number:] if each.reducer is not None]
            if is_meeting(fitting.name) and after:
                kind = str(fitting.name).partition("_")[0]
                text = (
                    f"the air meets the {kind} last: list it after the reducer, with all else that is {after[-1]:g} "
                    f"{word} wide; here it counts at {size:g} {word}, for fittings are listed from the hood to the fan"
                )
                yield Fault(path, codes.FITTINGS_ORDER, text)
            if fitting.reducer == size:
                text = f"the duct is {size:g} {word} wide there already, so this reducer does nothing: leave it out"
                yield Fault(path, codes.FITTINGS_ORDER, text)
            size = fitting.reducer or size


def fanward(duct: DuctTable) -> float:
    """The diameter with which a duct ends at the fan's side: its last reducer's, else its own."""
    return next((each.reducer for each in reversed(duct.fittings) if each.reducer is not None), duct.diameter)


def alone(ducts: Mapping[str, DuctTable], name: str) -> bool:
    """Whether no other duct runs into the one that this one runs into."""
    return sum(duct.into == ducts[name].into for duct in ducts.values()) == 1


def _steps(config: Config) -> Iterator[Fault]:
    """Where a duct goes over into the next one at another diameter, and no reducer says how.

    A diameter that no duct has is told by itself.
    """
    ducts, of = config.duct, units(config.airflow.units)
    for name, duct in ducts.items():
        if duct.into is None or duct.into == name:
            continue
        ends, after = fanward(duct), ducts[duct.into].diameter
        if not (is_diameter(ends, of) and is_diameter(after, of)):
            continue
        path: KeyPath = ("duct", name, "diameter" if ends == duct.diameter else "fittings")
        wide = f"it is {ends:g} {of.diameter_word} wide{'' if ends == duct.diameter else ' there'}"
        next_one = f"{duct.into!r}, which is {after:g} {of.diameter_word}"
        meets = next((word for word in MEETINGS if any(is_meeting(f.name, word) for f in duct.fittings)), None)
        place = "last among its fittings" if meets is None else f"before its {meets}"
        if ends > after:
            text = (
                f"{wide} and runs into {next_one}: that counts as a "
                f"sudden step; list {{ reducer = {after:g}, angle = 30 }} {place}, or make {duct.into!r} as wide"
            )
            yield Fault(path, codes.SUDDEN_STEP, text)
        elif ends < after and alone(ducts, name):
            text = (
                f"{wide} and opens into {next_one}, as the only duct: that "
                f"counts as a sudden step; list {{ reducer = {after:g}, angle = 20 }} {place}, or without its "
                "angle where the step is sudden"
            )
            yield Fault(path, codes.SUDDEN_STEP, text)


def _hoods(partial: Partial) -> Iterator[Fault]:
    """Tools that a hood names though they open another gate, and tools without a hood of the several behind theirs."""
    config = partial.config
    ducts = config.duct
    behind: dict[str, list[str]] = {}
    for name, duct in ducts.items():
        gate = next((str(ducts[each].gate) for each in _towards_fan(ducts, name) if ducts[each].gate), None)
        if gate is None or duct.hood is None:
            continue
        behind.setdefault(gate, []).append(name)
        raw = partial.raw["duct"][name]["hood"].get("tool")
        for number, tool in enumerate(duct.hood.tool or ()):
            if tool in config.tool and gate not in (own := config.tool[tool].gates) and own:
                path: KeyPath = ("duct", name, "hood", "tool")
                text = _elsewhere(config, tool, gate)
                yield Fault((*path, number) if isinstance(raw, list) else path, codes.TOOL_ELSEWHERE, text)
    for gate, hoods in behind.items():
        said = {tool for name in hoods if (hood := ducts[name].hood) is not None for tool in hood.tool or ()}
        lost = [tool for tool, table in config.tool.items() if gate in table.gates and tool not in said]
        if len(hoods) > 1 and lost:
            at = next(name for name, duct in ducts.items() if duct.gate == gate)
            text = (
                f"behind gate {gate!r} are {named(len(hoods), 'hood')}, and none names {listed(map(repr, lost))}: say "
                f"whose each is, with `tool` in the hood of {listed(hoods, last='and')}"
            )
            yield Fault(("duct", at, "gate"), codes.TOOL_ELSEWHERE, text)


def _elsewhere(config: Config, tool: str, gate: str) -> str:
    own = config.tool[tool].gates
    text = f"tool {tool!r} opens {listed(map(repr, own), last='and')}, and this hood is behind gate {gate!r}"
    here = [name for name, table in config.tool.items() if gate in table.gates]
    if (near := nearest(tool, here)) is not None:
        return f"{text}; did you mean {near!r}?"
    fitting = f"name one of its tools ({listed(map(repr, here))})" if here else "leave tool out, as no tool opens it"
    return f"{text}: {fitting}, or add {gate!r} to the gates of {tool!r}"
