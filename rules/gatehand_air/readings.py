"""What was measured in a shop, and what each reading would do if one thing were otherwise. SI units.

A duct with taps is split at them, so that each tap is at the fan end of a piece and what lies between two taps is one
piece. A piece's share of its duct's fittings goes with its length, and as nobody says where they are, that share is
uncertain by what may lie on the other side of a tap.

Everything acts on the logarithms of the readings: a gauge errs by a part of what it shows.
"""

import math
from collections.abc import Collection, Mapping, Sequence
from enum import StrEnum
from functools import cached_property
from itertools import pairwise
from typing import Final, TypeAlias

from msgspec import Struct
from msgspec.structs import replace

from gatehand_air.friction import area, velocity_pressure
from gatehand_air.linear import Linear, Losses
from gatehand_air.solve import Solution, Solver
from gatehand_air.spread import Ignorance
from gatehand_air.tree import Duct, Network

HALF: Final = 1.959964
"""Standard deviations in a half-width of 19 of 20."""
ACCURACY: Final = 0.05
"""Half-width of a reading as a part of it: common practice with a hand-held gauge, no published source."""
PROFILE: Final = 2 * 7**2 / ((7 + 1) * (2 * 7 + 1))
"""Mean velocity over the centreline's in a round duct, 0.817: the power law with n = 7, V/Vc = 2n^2/((n+1)(2n+1)).

n = 7 belongs to Re 1.1e5, such as 20 m/s in a 4 in duct; n = 6 to Re 4e3 and n = 10 to Re 3.2e6 (Schlichting,
Boundary-Layer Theory, chapter 20, after Nikuradse's measurements; Bird, Stewart and Lightfoot, Transport Phenomena,
chapter 5, have the same [pub]).
"""
PROFILE_SPREAD: Final = 0.07
"""Half-width of that as a part of it, common to all such readings: 0.791 (n = 6) to 0.866 (n = 10)."""
_LEAST_LENGTH: Final = 1e-3
"""m; a tap nearer to an end is at it."""


def mean_over_centre(exponent: float) -> float:
    """Mean over centreline velocity of the power-law profile with that exponent: exact for a round duct."""
    return 2 * exponent**2 / ((exponent + 1) * (2 * exponent + 1))


class Quantity(StrEnum):
    """What was measured."""

    HOOD = "hood"
    """Flow at a hood, m3/s."""
    DUCT = "duct"
    """Mean velocity in a duct, m/s."""
    CENTRELINE = "centreline"
    """Velocity in the middle of a duct, m/s."""
    SUCTION = "suction"
    """Static suction at the collector's inlet, Pa."""
    TAP = "tap"
    """Static suction at a place of a duct, Pa."""
    FILTER = "filter_loss"
    """Pressure lost across the filter, Pa."""


class Measurement(Struct, frozen=True):
    """One measured value with these gates open.

    Fields:
        where: the hood or the duct; empty for suction and filter.
        value: what was read.
        accuracy: its half-width, as a part of it.
        at: of a tap, m from the duct's hood end.
    """

    gates: frozenset[str]
    kind: Quantity
    where: str
    value: float
    accuracy: float = ACCURACY
    at: float = 0.0


class Piece(Struct, frozen=True):
    """A part of a duct between taps or its ends, as a duct of its own.

    Fields:
        name: in the split tree; the piece at the fan end has the duct's own.
        start, end: m from the duct's hood end.
        first, last: whether it begins, or ends, where its duct does.
        hood: whether the duct's hood, and the machine behind it, belong to it.
    """

    duct: str
    name: str
    start: float
    end: float
    first: bool
    last: bool
    hood: bool


class SplitTree(Struct, frozen=True):
    """The tree with its ducts split at their taps, and the pieces by name."""

    network: Network
    pieces: Mapping[str, Piece]

    def place(self, duct: str, at: float) -> str:
        """The piece that has a tap at its fan end."""
        own = [piece for piece in self.pieces.values() if piece.duct == duct]
        return min(own, key=lambda piece: abs(piece.end - max(at, _LEAST_LENGTH))).name


def split(network: Network, readings: Sequence[Measurement]) -> SplitTree:
    """Split every duct at its taps."""
    cuts: dict[str, set[float]] = {}
    for reading in readings:
        if reading.kind is Quantity.TAP:
            length = network.duct(reading.where).length
            at = max(reading.at, _LEAST_LENGTH)
            if at < length - _LEAST_LENGTH:
                cuts.setdefault(reading.where, set()).add(at)
    ducts: list[Duct] = []
    pieces: dict[str, Piece] = {}
    heads = {duct.name: _name(duct, sorted(cuts.get(duct.name, ()))) for duct in network.ducts}
    for duct in network.ducts:
        ends = [0.0, *sorted(cuts.get(duct.name, ())), duct.length]
        names = [*heads[duct.name][:-1], duct.name]
        for i, ((start, end), name) in enumerate(zip(pairwise(ends), names, strict=True)):
            first, last = i == 0, i == len(names) - 1
            into = names[i + 1] if not last else None if duct.into is None else heads[duct.into][0]
            pieces[name] = Piece(duct.name, name, start, end, first, last, first and duct.entry is not None)
            share = (end - start) / duct.length if len(names) > 1 else 1.0
            part = replace(duct, name=name, into=into, length=end - start, factor=duct.factor * share)
            if not first:
                part = replace(part, entry=None, machine=None)
            if not last:
                part = replace(part, gate=None, leak=None)
            ducts.append(part)
    return SplitTree(Network(tuple(ducts)), pieces)


def _name(duct: Duct, cuts: Sequence[float]) -> tuple[str, ...]:
    """The names of a duct's pieces from its hood end; a blank is in no name of a config."""
    return (*(f"{duct.name} {i}" for i in range(len(cuts))), duct.name)


Effect: TypeAlias = list[float]
"""The change of the logarithm of each reading of one set of gates."""


class OpenSet(Struct, frozen=True, dict=True):
    """One set of gates, solved: what its readings should be, and what moves them.

    Fields:
        numbers: the places of its readings among all.
    """

    tree: SplitTree
    solver: Solver
    answer: Solution
    gates: frozenset[str]
    numbers: tuple[int, ...]
    readings: tuple[Measurement, ...]

    @cached_property
    def linear(self) -> Linear:
        """Around the answer."""
        return self.solver.linear(self.gates, self.answer)

    @cached_property
    def at(self) -> Mapping[str, int]:
        """The place of each duct in the answer."""
        return {name: i for i, name in enumerate(self.answer.ducts)}

    @cached_property
    def dynamic(self) -> Sequence[float]:
        """Velocity pressure in each duct of the answer, Pa."""
        ducts = map(self.solver.network.duct, self.answer.ducts)
        pairs = zip(ducts, self.answer.through, strict=True)
        return [velocity_pressure(flow / area(duct.diameter), self.solver.air) for duct, flow in pairs]

    @cached_property
    def losses(self) -> Sequence[float]:
        """What each duct of the answer loses, Pa."""
        behind = self.answer.behind
        before = [0.0] * len(behind)
        for i, parent in enumerate(self.linear.parents):
            if parent < len(behind):
                before[parent] = behind[i]
        return [after - here for after, here in zip(behind, before, strict=True)]

    def shown(self) -> list[float] | None:
        """What the readings should be; None where no air goes past one of them."""
        found = [self._one(reading) for reading in self.readings]
        return found if all(value > 0 for value in found) else None

    def _one(self, reading: Measurement) -> float:
        match reading.kind:
            case Quantity.HOOD:
                return self.answer.flows.get(reading.where, 0.0)
            case Quantity.DUCT | Quantity.CENTRELINE:
                mean = self.answer.flows.get(reading.where, 0.0) / area(
                    self.solver.network.duct(reading.where).diameter
                )
                return mean / PROFILE if reading.kind is Quantity.CENTRELINE else mean
            case Quantity.SUCTION | Quantity.TAP:
                place = self.at.get(self._tapped(reading))
                return 0.0 if place is None else self.answer.behind[place] + self.dynamic[place]
            case Quantity.FILTER:
                return self.answer.filter_loss

    @cached_property
    def _places(self) -> Sequence[int]:
        """Of each reading: the place in the answer at which it was taken; the filter is behind the last."""
        return [self.at[self._tapped(reading)] for reading in self.readings]

    def _tapped(self, reading: Measurement) -> str:
        """The piece in which a reading was taken, for a static pressure at its fan end."""
        match reading.kind:
            case Quantity.SUCTION | Quantity.FILTER:
                return self.solver.network.root.name
            case Quantity.TAP:
                return self.tree.place(reading.where, reading.at)
            case Quantity.HOOD | Quantity.DUCT | Quantity.CENTRELINE:
                return reading.where

    def effect(self, given: float, losses: Losses, filter_lost: float = 0.0) -> Effect:
        """What a push does to the readings: Pa more at the root, Pa more lost in ducts, Pa more lost in the filter."""
        flows, root = self.linear.response(given - filter_lost, losses)
        found = []
        for reading, place in zip(self.readings, self._places, strict=True):
            match reading.kind:
                case Quantity.HOOD | Quantity.DUCT | Quantity.CENTRELINE:
                    found.append(flows[place] / self.answer.through[place])
                case Quantity.SUCTION | Quantity.TAP:
                    change = root - self._lost_after(place, flows, losses)
                    change += 2 * self.dynamic[place] * flows[place] / self.answer.through[place]
                    found.append(change / (self.answer.behind[place] + self.dynamic[place]))
                case Quantity.FILTER:
                    of = self.solver.filter
                    own = of.exponent * flows[-1] / self.answer.flow
                    found.append(own + filter_lost / self.answer.filter_loss)
        return found

    def _lost_after(self, place: int, flows: Sequence[float], losses: Losses) -> float:
        """The change of what is lost between a duct's fan end and the root's."""
        lost, here = 0.0, self.linear.parents[place]
        while here < len(flows):
            lost += self.linear.slopes[here] * flows[here] + losses.get(here, 0.0)
            here = self.linear.parents[here]
        return lost

    def ignorance(self, known: Ignorance) -> dict[tuple[str, str], dict[int, float]]:
        """What is not known of the ducts as described, each by itself: Pa by place, one standard deviation.

        The keys say what it is and where; the same key in another set is the same thing.
        """
        found: dict[tuple[str, str], dict[int, float]] = {}
        for name, place in self.at.items():
            piece, duct, dynamic = self.tree.pieces[name], self.tree.network.duct(name), self.dynamic[place]
            pushes = {
                ("factors", piece.duct): known.factors * duct.factor * dynamic,
                ("entry", piece.duct): known.entries * (duct.entry or 0.0) * dynamic,
                ("machine", piece.duct): known.machine * (duct.machine or 0.0) * self.answer.through[place] ** 2,
                ("roughness", ""): self.solver.rough_push(name, self.answer.through[place], 1 + known.roughness),
            }
            for key, push in pushes.items():
                if push:
                    found.setdefault(key, {})[place] = push / HALF
        for name, place in self.at.items():
            piece = self.tree.pieces[name]
            if not piece.last:  # a fitting near its tap may be on the other side
                following = self.linear.parents[place]
                total = self._factor(piece.duct)
                part = piece.end / sum(p.end - p.start for p in self.tree.pieces.values() if p.duct == piece.duct)
                if push := total * min(part, 1 - part) * self.dynamic[place] / HALF:
                    found["where", name] = {place: push, following: -push}
        return found

    def _factor(self, duct: str) -> float:
        return sum(self.tree.network.duct(p.name).factor for p in self.tree.pieces.values() if p.duct == duct)


class Guess(Struct, frozen=True):
    """What is being fitted: the scale of the fan's curve, the filter's factor, further factors of pieces by name."""

    scale: float
    filter: float
    extra: Mapping[str, float] = {}


class Shop(Struct, frozen=True, dict=True):
    """A solver, and what was measured in it."""

    solver: Solver
    readings: tuple[Measurement, ...]

    @cached_property
    def tree(self) -> SplitTree:
        """Split at the taps."""
        return split(self.solver.network, self.readings)

    @cached_property
    def _sets(self) -> tuple[frozenset[str], ...]:
        return tuple(dict.fromkeys(reading.gates for reading in self.readings))

    def guessed(self, guess: Guess) -> Solver:
        """The shop as guessed."""
        network = self.tree.network
        if guess.extra:
            more = guess.extra
            network = Network(tuple(replace(d, factor=d.factor + more.get(d.name, 0.0)) for d in network.ducts))
        filter_ = replace(self.solver.filter, factor=guess.filter)
        return replace(self.solver, network=network, fan=self.solver.fan.scaled(guess.scale), filter=filter_)

    def solved(self, guess: Guess) -> tuple[OpenSet, ...] | None:
        """Each measured set of gates; None where one has no answer."""
        solver, found = self.guessed(guess), []
        for gates in self._sets:
            answer = solver.solve(gates)
            if not isinstance(answer, Solution):
                return None
            numbers = tuple(i for i, reading in enumerate(self.readings) if reading.gates == gates)
            own = tuple(self.readings[i] for i in numbers)
            found.append(OpenSet(self.tree, solver, answer, gates, numbers, own))
        return tuple(found)

    def whole(self, effects: Collection[tuple[OpenSet, Effect]]) -> list[float]:
        """The effect on all readings, from those of some sets."""
        found = [0.0] * len(self.readings)
        for of, effect in effects:
            for number, value in zip(of.numbers, effect, strict=True):
                found[number] += value
        return found

    def off(self, sets: Sequence[OpenSet]) -> list[float] | None:
        """Logarithm of what was read over what it should be."""
        found = [0.0] * len(self.readings)
        for of in sets:
            shown = of.shown()
            if shown is None:
                return None
            for number, reading, value in zip(of.numbers, of.readings, shown, strict=True):
                found[number] = math.log(reading.value / value)
        return found
