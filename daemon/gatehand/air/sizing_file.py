"""The file of `airflow --size FILE`: runs, the machines at their ends, what runs together and what is sold.

Its shape is the models below; what it means to the ducts is told in `sizing_job.py`.
"""

from collections import Counter
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Annotated, Final

from pydantic import BeforeValidator, Field, PlainValidator, ValidationError, model_validator

from gatehand.config import codes, values
from gatehand.config.ducts import Airflow, Fan, FilterLoss, Names, NotNegative, Positive
from gatehand.config.faults_of_values import FOLLOWS, fault_of, path_of
from gatehand.config.keys import put_right
from gatehand.config.positions import Positions
from gatehand.config.problems import Fault, KeyPath, dotted
from gatehand.config.toml_text import NotTomlError, parse
from gatehand.config.values import Count, Name, NameOf, SomeCount, TomlTable, fail, unknown_word
from gatehand.text import did_you_mean, found
from gatehand_air.fittings import DUSTS, ENTRIES, FITTINGS, MATERIALS, kind_of
from gatehand_air.properties import CFM, FOOT, INCH, Units, units

ANGLES: Final = {30: "wye_30", 45: "wye_45", 60: "wye_60", 90: "tee"}
_ELBOWS: Final = tuple(name for name in FITTINGS if name.startswith("elbow"))


def _join(value: object) -> object:
    if value == "straight" or (isinstance(value, int) and not isinstance(value, bool) and value in ANGLES):
        return value
    raise fail(codes.BAD_DUCT, f'{found(value)}; wanted the angle of the branch, 30, 45, 60 or 90, or "straight"')


def _elbow(value: object) -> object:
    if isinstance(value, str) and value not in _ELBOWS:
        raise unknown_word(value, _ELBOWS, "elbow")
    return value


def _material(value: object) -> object:
    if isinstance(value, str) and value not in MATERIALS:
        raise unknown_word(value, MATERIALS, "material")
    return value


def _dust(value: object) -> object:
    if isinstance(value, str) and value not in DUSTS:
        raise unknown_word(value, DUSTS, "kind of dust")
    return value


def _entry(value: object) -> object:
    if isinstance(value, str) and value not in ENTRIES:
        raise unknown_word(value, ENTRIES, "entry of a hood")
    if isinstance(value, str) or (isinstance(value, int | float) and not isinstance(value, bool) and 0 <= value < 100):  # noqa: PLR2004
        return value
    raise fail(codes.BAD_NUMBER, f"{found(value)}; wanted plain, flanged, bell, or a factor of 0 or more")


def _named(value: object) -> object:
    return value if isinstance(value, bool) else values.name(value)


Material = Annotated[str, BeforeValidator(_material)]


class RunTable(TomlTable):
    """[run.NAME]: from where the air comes in to where it joins the next run."""

    into: NameOf | None = None
    """The run that it joins; None for the one at the collector."""
    at: NotNegative | None = None
    """Where along that run, from its end nearer the fan, ft or m; default: at its far end."""
    join: Annotated[int | str | None, PlainValidator(_join)] = None
    """The angle at which it enters, in degrees; of those at a far end the first without goes straight on, else 45."""
    length: NotNegative
    """Straight length, ft or m."""
    elbows: dict[Annotated[str, BeforeValidator(_elbow)], Count] = Field(default_factory=dict)
    """Elbows by name: how many. Where the run is cut they are counted in the part nearest the fan."""
    k: NotNegative = 0.0
    """Loss factor of what else is in it."""
    hose: NotNegative = 0.0
    """Length of hose at the machine, ft or m."""
    material: Material | None = None
    """What it is made of; default: the file's."""
    tool: Names | None = None
    """The tool or tools at its end; default: the run's own name."""
    flow: Positive | None = None
    """Flow wanted; default: what a tool of that kind wants, else by the port."""
    dust: Annotated[str | None, BeforeValidator(_dust)] = None
    """fine, shavings or heavy: the velocity that carries it; default: min_velocity."""
    port: Positive | None = None
    """Diameter of the machine's own port."""
    entry: Annotated[str | float, PlainValidator(_entry)] = "plain"
    """plain, flanged, bell, grinder_straight, grinder_tapered, or a factor on the velocity pressure."""
    gate: Annotated[bool | str, PlainValidator(_named)] = True
    """The gate's name; true: as the run; false: none, it is always open."""

    @property
    def ends(self) -> bool:
        """Whether it says something of a machine at its end."""
        return any(each is not None for each in (self.tool, self.flow, self.port, self.dust))


class SizeFile(TomlTable):
    """The file."""

    airflow: Airflow = Field(default_factory=Airflow)
    """Units, velocities and air, as in the config."""
    sold: Annotated[tuple[Positive, ...], Field(min_length=1)] | None = None
    """Diameters to choose from, in or mm; default: those commonly sold."""
    stick: Positive | None = None
    """The length in which straight duct is sold, ft or m."""
    inlet: Positive | None = None
    """Diameter of the collector's inlet."""
    material: Material = "galvanised"
    """What the ducts are made of."""
    at_once: SomeCount = 1
    """How many tools run together at the most."""
    together: tuple[tuple[NameOf, ...], ...] = ()
    """Tools, or runs with a machine, that run together; each also runs alone."""
    fan: Fan | None = None
    """The fan to check, as [fan.NAME] in the config."""
    filter_loss: FilterLoss | None = None
    """The filter's loss, where there is no fan yet."""
    run: dict[Name, RunTable] = Field(default_factory=dict)
    """The runs by name: a tree, of one at least."""

    @model_validator(mode="after")
    def _some_run(self) -> "SizeFile":
        if not self.run:
            text = "there is no duct to size: describe each run in a table [run.NAME], with its length"
            raise fail(codes.BAD_DUCT, text)
        return self

    @model_validator(mode="after")
    def _one_filter(self) -> "SizeFile":
        if self.filter_loss is not None and self.fan is not None:
            text = "the filter is given twice: with a [fan] give its filter_loss there"
            raise fail(codes.BAD_DUCT, text, key="filter_loss")
        return self


class SizingFileError(ValueError):
    """The file cannot be used; each line says where, what was found and what is wanted."""


def read(path: Path) -> SizeFile:
    """Read a file.

    Raises:
        SizingFileError: it cannot be read, is not valid TOML, or does not say what is to be sized.
    """
    try:
        tables, positions = parse(path.read_text("utf-8"))
    except OSError as error:
        raise SizingFileError(f"{path}: cannot be read ({error.strerror})") from None
    except UnicodeDecodeError:
        raise SizingFileError(f"{path}: is not UTF-8 text: save the file as UTF-8") from None
    except NotTomlError as error:
        raise SizingFileError(f"{path}:{error.slip.span.line}: {error.slip.message}") from None
    meant = put_right(tables, SizeFile)
    wrong = list(meant.faults)
    file = None
    try:
        file = SizeFile.model_validate(meant.tables)
    except ValidationError as invalid:
        errors = [each for each in invalid.errors() if each["type"] not in FOLLOWS]
        wrong += [fault_of(each, path_of(each, meant.tables), SizeFile) for each in errors]
    if file is not None and not wrong:
        wrong = list(faults(file))
    if wrong or file is None:
        raise SizingFileError("\n".join(_placed(path, each, positions, meant.written(each.path)) for each in wrong))
    return file


def _placed(path: Path, fault: Fault, positions: Positions, at: KeyPath) -> str:
    where = f"{dotted(at)}: " if at else ""
    return f"{path}:{positions.of(at, at_key=fault.at_key).line}: {where}{fault.message}"


def faults(file: SizeFile) -> Iterator[Fault]:
    """What only shows between the runs, and beside the units."""
    yield from _size_faults(file)
    yield from _tree_faults(file.run)
    names = Counter(gate for name, run in file.run.items() if (gate := gate_of(name, run, file.run)) is not None)
    for name, run in file.run.items():
        if (gate := gate_of(name, run, file.run)) is not None and names[gate] > 1:
            yield Fault(("run", name), codes.BAD_DUCT, f"two runs have the gate {gate!r}: name one with gate = ...")
    yield from _name_faults(file.run)
    ends = {name: run.tool or (name,) for name, run in file.run.items() if is_end(name, file.run)}
    tools = ends.keys() | {tool for some in ends.values() for tool in some}
    for number, some in enumerate(file.together):
        for tool in some:
            if tool not in tools:
                text = f"there is no tool {tool!r}; {did_you_mean(tool, sorted(tools))}"
                yield Fault(("together", number), codes.UNKNOWN_NAME, text)


_DIAMETERS: Final = (0.5 * INCH, 60 * INCH)
_LENGTHS: Final = (0.0, 1000 * FOOT)
_FLOWS: Final = (5 * CFM, 50_000 * CFM)
"""What ducts and machines of a shop have, generously: least and most."""


def _length_word(of: Units) -> str:
    return "ft" if of.name == "us" else "m"


def _size_faults(file: SizeFile) -> Iterator[Fault]:
    """Numbers that no shop has: mostly those of the other units."""
    of = units(file.airflow.units)
    diameter, length = (of.diameter, of.diameter_word, _DIAMETERS), (of.length, _length_word(of), _LENGTHS)
    found: list[tuple[KeyPath, float | None, tuple[float, str, tuple[float, float]]]] = [
        *((("sold", number), each, diameter) for number, each in enumerate(file.sold or ())),
        (("inlet",), file.inlet, diameter),
        (("stick",), file.stick, length),
    ]
    for name, run in file.run.items():
        found += [(("run", name, "port"), run.port, diameter), (("run", name, "length"), run.length, length)]
        found += [(("run", name, "hose"), run.hose, length)]
        found += [(("run", name, "flow"), run.flow, (of.flow, of.flow_word, _FLOWS))]
    for path, value, (unit, word, (least, most)) in found:
        if value is not None and not least <= value * unit * (1 + 1e-9) <= most * (1 + 1e-6):
            bounds = f"{least / unit:.4g} to {most / unit:,.0f} {word}"
            text = f'found {value:g} {word}; wanted {bounds}, in the units of the file (units = "{of.name}")'
            yield Fault(path, codes.BAD_NUMBER, text)


def _name_faults(runs: Mapping[str, RunTable]) -> Iterator[Fault]:
    """Two gates on one way, and names that the hose or the port of another run will have."""
    for name, run in runs.items():
        way = [name]
        while (into := runs[way[-1]].into) is not None and into in runs and into not in way:
            way.append(into)
        behind = [each for each in way[1:] if not is_end(each, runs)]  # a machine's gate is before what joins there
        gates = [gate for each in (name, *behind) if (gate := gate_of(each, runs[each], runs)) is not None]
        if is_end(name, runs) and len(gates) > 1:
            text = f"two gates on its way, {gates[0]} and {gates[1]}: one is enough; give gate = false to the other run"
            yield Fault(("run", name), codes.BAD_DUCT, text)
        for part in ([f"{name}_hose"] if run.hose > 0 else []) + ([f"{name}_port"] if run.port is not None else []):
            if part in runs:
                text = f"run {name} has a duct of its own with this name: choose another"
                yield Fault(("run", part), codes.BAD_DUCT, text, at_key=True)


def _tree_faults(runs: Mapping[str, RunTable]) -> Iterator[Fault]:
    roots = [name for name, run in runs.items() if run.into is None]
    if not roots:
        yield Fault(("run",), codes.BAD_DUCT, "every run joins another: the one at the collector has no into")
    for name in roots[1:]:
        text = f"{roots[0]!r} is at the collector already: add into, with the run that this one joins"
        yield Fault(("run", name), codes.BAD_DUCT, text)
    for name, run in runs.items():
        path = ("run", name)
        if run.into is not None and run.into not in runs:
            text = f"there is no run {run.into!r}; {did_you_mean(run.into, sorted(set(runs) - {name}))}"
            yield Fault((*path, "into"), codes.UNKNOWN_NAME, text)
        elif _comes_back(runs, name):
            yield Fault((*path, "into"), codes.BAD_DUCT, f"following into from {name!r} comes back to it")
        else:
            yield from _end_faults(name, runs)


def _end_faults(name: str, runs: Mapping[str, RunTable]) -> Iterator[Fault]:
    """A run that joins beyond the other's end, that leads nowhere, or whose flow nobody knows."""
    run, path = runs[name], ("run", name)
    if run.into is not None and run.at is not None and run.at > runs[run.into].length:
        text = f"{run.into!r} is {runs[run.into].length:g} long: it cannot join {run.at:g} from its end"
        yield Fault((*path, "at"), codes.BAD_NUMBER, text)
    if run.at == 0:
        yield Fault((*path, "at"), codes.BAD_NUMBER, "that is the other's own end: give a length above 0")
    if run.hose > 0 and not is_end(name, runs):
        yield Fault((*path, "hose"), codes.BAD_DUCT, "a hose is at a machine, and there is none at its end")
    into = runs.get(run.into or "")
    if (
        run.join == "straight"
        and into is not None
        and 0 < (run.at if run.at is not None else into.length) < into.length
    ):
        text = "it joins along the other's length, so it enters from the side: give the angle"
        yield Fault((*path, "join"), codes.BAD_DUCT, text)
    joins = [joins_at(each, runs) for each in runs.values() if each.into == name]
    far = any(at >= run.length for at in joins)
    if far and run.ends:
        yield Fault(path, codes.BAD_DUCT, "other runs join at its far end, so no machine can be there")
    elif joins and not far and not run.ends:
        left = run.length - max(joins)
        text = f"the last {left:g} of it leads nowhere: nothing joins there, and no tool is named"
        yield Fault((*path, "length"), codes.BAD_DUCT, text)
    elif is_end(name, runs):
        tools = run.tool or (name,)
        if run.flow is None and run.port is None and any(kind_of(tool) is None for tool in tools):
            text = "nobody knows how much air this tool needs: give its flow, or its port"
            yield Fault(path, codes.BAD_DUCT, text)
        if run.length == 0 and run.hose == 0 and run.entry == 0:
            yield Fault(path, codes.BAD_DUCT, "it has no length and loses nothing: give its length")


def _comes_back(runs: Mapping[str, RunTable], start: str) -> bool:
    here, seen = runs[start].into, set[str]()
    while here is not None and here in runs and here not in seen:
        if here == start:
            return True
        seen.add(here)
        here = runs[here].into
    return False


def joins_at(run: RunTable, runs: Mapping[str, RunTable]) -> float:
    """Where it joins, from the fan's end of the other."""
    into = runs.get(run.into or "")
    whole = 0.0 if into is None else into.length
    return whole if run.at is None else run.at


def is_end(name: str, runs: Mapping[str, RunTable]) -> bool:
    """Whether a machine is at its far end."""
    return runs[name].ends or not any(each.into == name for each in runs.values())


def gate_of(name: str, run: RunTable, runs: Mapping[str, RunTable]) -> str | None:
    """The name of its gate. Only a run that ends at a machine has one unless it is named."""
    if isinstance(run.gate, str):
        return run.gate
    return name if run.gate and is_end(name, runs) else None
