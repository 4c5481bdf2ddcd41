"""Runs of duct whose size is sought, and what they become once each has one: pieces, a network, a bill of parts.

A run is one length from where air comes in to where it joins the next run. With a diameter it becomes up to three
pieces: the machine's port where that is narrower, the hose, the rigid duct. Steps from one size to the next are tapered
reducers, and each is charged; a branch enters the trunk through a wye of the trunk's size with a leg of its own. SI
units, no choices: those are made in `sizing.py`.
"""

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from enum import StrEnum
from functools import cached_property
from math import ceil
from typing import Final, TypeAlias

from msgspec import Struct

from gatehand_air.fittings import MATERIALS, factor, reducer
from gatehand_air.tree import Duct, Network

TAPER: Final = 30.0
"""Full cone angle of a tapered reducer, degrees [practice]."""
JOINS: Final = ("wye_30", "wye_45", "wye_60", "tee")
"""Fittings through which a run enters the side of another; one without goes straight on."""
GATE: Final = "blade_gate"
HOSE: Final = "flex"
SAME: Final = 1e-6
"""Sizes nearer than this part of each other are one."""


class Opening(Struct, frozen=True, kw_only=True):
    """Where a run begins at a machine.

    Fields:
        flow: wanted, m3/s.
        entry: the hood's entry factor.
        port: the machine's own diameter, m; None: as the duct.
        dust_velocity: what its dust wants, m/s; None: the usual.
        machine: what the machine itself loses, Pa/(m3/s)^2.
    """

    flow: float
    entry: float
    port: float | None = None
    dust_velocity: float | None = None
    machine: float | None = None


class Run(Struct, frozen=True, kw_only=True):
    """One run. Lengths in m.

    Fields:
        into: the next run towards the fan; None at the collector.
        fittings: by name, or as a loss factor, from the hood to the fan: the gate and how it joins are among them.
        hose: of that length at the machine, in the run's own size.
        gate: all openings beyond open and shut with it.
        leak: what the shut gate loses, Pa/(m3/s)^2.
    """

    name: str
    into: str | None
    length: float
    material: str
    roughness: float
    fittings: tuple[str | float, ...] = ()
    hose: float = 0.0
    gate: str | None = None
    opening: Opening | None = None
    leak: float | None = None

    @property
    def join(self) -> str | None:
        """How it enters the next run's side; None: straight."""
        return next((each for each in self.fittings if each in JOINS), None)


class Reducer(Struct, frozen=True):
    """A tapered step to another diameter at the fan's side, m."""

    to: float


PieceFitting: TypeAlias = str | float | Reducer


class Piece(Struct, frozen=True, kw_only=True):
    """A length of one diameter, as a duct table of a config has it. `opening`: where air enters, if that is here."""

    run: str
    name: str
    into: str | None
    diameter: float
    length: float
    material: str
    roughness: float
    fittings: tuple[PieceFitting, ...] = ()
    gate: str | None = None
    opening: Opening | None = None
    leak: float | None = None

    @property
    def factor(self) -> float:
        """Its fittings' loss factors, on its own velocity pressure."""
        return sum(self._factor(each) for each in self.fittings)

    def _factor(self, fitting: PieceFitting) -> float:
        if isinstance(fitting, Reducer):
            return reducer(self.diameter, fitting.to, TAPER)
        return factor(fitting, self.diameter) if isinstance(fitting, str) else fitting

    @property
    def duct(self) -> Duct:
        """For the solver."""
        opening = self.opening
        return Duct(
            name=self.name,
            into=self.into,
            diameter=self.diameter,
            length=self.length,
            roughness=self.roughness,
            factor=self.factor,
            entry=None if opening is None else opening.entry,
            gate=self.gate,
            leak=self.leak,
            machine=None if opening is None else opening.machine,
            dust_velocity=None if opening is None else opening.dust_velocity,
        )


class Laid(Struct, frozen=True, dict=True):
    """Runs with their diameters.

    Fields:
        runs: each once, in any order; together one tree.
        sizes: by run, m.
        inlet: the collector's, m; None: as the last run.
    """

    runs: tuple[Run, ...]
    sizes: Mapping[str, float]
    inlet: float | None = None

    @cached_property
    def pieces(self) -> tuple[Piece, ...]:
        """From the collector outwards, as the runs are listed."""
        return tuple(piece for run in self.runs for piece in _pieces(run, self.sizes, self.inlet))

    @cached_property
    def network(self) -> Network:
        """For the solver; raises ValueError as `Network` does."""
        return Network(tuple(piece.duct for piece in self.pieces))

    @cached_property
    def hoods(self) -> Mapping[str, str]:
        """The network's name of each run's opening: the piece that it is in."""
        return {piece.run: piece.name for piece in self.pieces if piece.opening is not None}

    @cached_property
    def by_name(self) -> Mapping[str, Piece]:
        """The pieces by name."""
        return {piece.name: piece for piece in self.pieces}


def _pieces(run: Run, sizes: Mapping[str, float], inlet: float | None) -> Iterator[Piece]:
    """The rigid duct first, then the hose, then the port."""
    size = sizes[run.name]
    port = run.opening.port if run.opening is not None else None
    narrow = port is not None and port < size * (1 - SAME)
    step: tuple[PieceFitting, ...] = ()
    if port is not None and port > size * (1 + SAME):
        step = (contraction(port, size),)
    last = _last(run, sizes, inlet)
    hose = run.hose if run.hose > 0 else None
    bare = hose is None and not narrow
    yield Piece(
        run=run.name,
        name=run.name,
        into=run.into,
        diameter=size,
        length=run.length,
        material=run.material,
        roughness=run.roughness,
        fittings=(*(step if hose is None else ()), *run.fittings, *last),
        gate=run.gate,
        opening=run.opening if bare else None,
        leak=run.leak,
    )
    before = run.name
    if hose is not None:
        before = f"{run.name}_hose"
        yield Piece(
            run=run.name,
            name=before,
            into=run.name,
            diameter=size,
            length=hose,
            material=HOSE,
            roughness=MATERIALS[HOSE].roughness,
            fittings=step,
            opening=None if narrow else run.opening,
        )
    if narrow and port is not None:
        yield Piece(
            run=run.name,
            name=f"{run.name}_port",
            into=before,
            diameter=port,
            length=0.0,
            material=run.material,
            roughness=run.roughness,
            fittings=(Reducer(size),),
            opening=run.opening,
        )


def _last(run: Run, sizes: Mapping[str, float], inlet: float | None) -> tuple[Reducer, ...]:
    """The step at the fan's end of a run that goes straight on into another size."""
    follows = inlet if run.into is None else sizes[run.into] if run.join is None else None
    if follows is None or abs(follows / sizes[run.name] - 1) <= SAME:
        return ()
    return (Reducer(follows),)


def contraction(wide: float, narrow: float) -> float:
    """Loss factor of a tapered step from a wide port, on the narrow duct's own velocity pressure. Diameters in m.

    Two digits, for it is known to a third: what a config shows is what was reckoned with.
    """
    return float(f"{reducer(wide, narrow, TAPER) * (narrow / wide) ** 4:.2g}")


class Kind(StrEnum):
    """What is bought."""

    DUCT = "duct"
    HOSE = "hose"
    ELBOW = "elbow"
    WYE = "wye"
    REDUCER = "reducer"
    GATE = "gate"
    CAP = "cap"
    OTHER = "other"


class Part(Struct, frozen=True, order=True):
    """One line of the bill.

    Fields:
        name: the fitting's, or the duct's material.
        sizes: m; of a wye the main twice and the branch, of a reducer both ends, the smaller first.
        count: how many; of ducts and hoses the pieces of `stick` length, 0 where they are cut to measure.
        length: m, of ducts and hoses.
    """

    kind: Kind
    name: str
    sizes: tuple[float, ...]
    count: int
    length: float = 0.0


def bill(laid: Laid, stick: float | None = None) -> tuple[Part, ...]:
    """All that is bought. `stick`: the length in which straight duct is sold, m; what is cut off goes on elsewhere."""
    counts: Counter[tuple[Kind, str, tuple[float, ...]]] = Counter()
    lengths: dict[tuple[Kind, str, float], float] = {}
    for piece in laid.pieces:
        kind = Kind.HOSE if piece.material == HOSE else Kind.DUCT
        if piece.length > 0:
            key = kind, piece.material, piece.diameter
            lengths[key] = lengths.get(key, 0.0) + piece.length
        counts.update(_fittings(piece, laid))
    found = []
    for (kind, material, size), length in lengths.items():
        count = 0 if stick is None or kind is Kind.HOSE else ceil(length / stick - SAME)
        found.append(Part(kind, material, (size,), count, length))
    found += [Part(kind, name, sizes, count) for (kind, name, sizes), count in counts.items()]
    found += _caps(laid)
    order = list(Kind)
    return tuple(sorted(found, key=lambda part: (order.index(part.kind), part.name, part.sizes)))


def _fittings(piece: Piece, laid: Laid) -> Iterator[tuple[Kind, str, tuple[float, ...]]]:
    for fitting in piece.fittings:
        match fitting:
            case Reducer(to=to):
                yield Kind.REDUCER, "reducer", tuple(sorted((piece.diameter, to)))
            case str() if fitting in JOINS and piece.into is not None:
                main = laid.by_name[piece.into].diameter
                yield Kind.WYE, fitting, (main, main, piece.diameter)
            case str() if fitting == GATE:
                yield Kind.GATE, fitting, (piece.diameter,)
            case str() if fitting.startswith("elbow"):
                yield Kind.ELBOW, fitting, (piece.diameter,)
            case str():
                yield Kind.OTHER, fitting, (piece.diameter,)
            case _:
                pass
    port = piece.opening.port if piece.opening is not None else None
    if port is not None and port > piece.diameter * (1 + SAME):
        yield Kind.REDUCER, "reducer", (piece.diameter, port)


def _caps(laid: Laid) -> list[Part]:
    """A run whose every branch enters from the side is shut at its far end."""
    before: dict[str, list[Run]] = {}
    for run in laid.runs:
        if run.into is not None:
            before.setdefault(run.into, []).append(run)
    ends = Counter(laid.sizes[name] for name, runs in before.items() if all(run.join for run in runs))
    return [Part(Kind.CAP, "cap", (size,), count) for size, count in ends.items()]


def in_order(runs: Sequence[Run]) -> tuple[Run, ...]:
    """From the collector outwards, each followed by all that runs into it."""
    before: dict[str | None, list[Run]] = {}
    for run in runs:
        before.setdefault(run.into, []).append(run)

    def walk(name: str | None) -> Iterator[Run]:
        for run in before.get(name, []):
            yield run
            yield from walk(run.name)

    return tuple(walk(None))
