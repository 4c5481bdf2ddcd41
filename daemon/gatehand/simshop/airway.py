"""The air that a fan draws through the gates that stand open: what a pressure sensor at the collector's inlet reads.

By the config's own ducts, fan and filter where it has them, else by a law that any shop follows roughly: each open gate
is an orifice, the fan's pressure falls with the square of flow, the filter's loss rises with it. What goes wrong is set
from outside, and no gate's report knows of it.
"""

from collections.abc import Mapping
from random import Random
from typing import TYPE_CHECKING, Final

from msgspec.structs import replace

from gatehand.config import Config
from gatehand.simshop.gate import HALF_WAY, GateModel

if TYPE_CHECKING:
    from gatehand_air.ducting import Ducting

NOISE: Final = 0.01
_SHUTOFF: Final = 2500.0
"""Pa; what the fan gives against shut gates, where the config has no ducts."""
_ORIFICE: Final = 0.0035
"""Flow in m3/s over the root of Pa, of one open gate there."""
_FAN: Final = 15_000.0
"""Pa over the square of m3/s, lost in the fan there."""
_FILTER: Final = (4_000.0, 12_000.0)
"""The same of the filter, clean and dirty."""
_MAIN: Final = 4
"""Of the main, in gates."""
_TORN_OFF: Final = 0.3
"""Metres that are left of a duct whose hose has come off."""


class Airway:
    """One collector's. `gates`: all of its, by name. `random`: for the sensor's noise."""

    def __init__(self, config: Config, collector: str, gates: Mapping[str, GateModel], random: Random) -> None:
        self.gates = gates
        self._random = random
        self._ducting = _ducting(config, collector)
        self._known: dict[tuple[object, ...], float] = {}
        self.clog = 0.0
        """Of the filter: 0 is clean, 1 is dirty by the config, beyond that it is overdue."""
        self.blocked: set[str] = set()
        """Gates through which no air comes although they stand open: stuck shut, or their hose is blocked."""
        self.hose_off: set[str] = set()
        """Gates whose hose has come off behind them; a shut gate keeps that in."""
        self.main_off = False
        """The main has come off at the collector."""
        self.leaks: set[str] = set()
        """Gates that stand open although they are shut by all that they say."""

    def suction(self, at: float, speed: float) -> float:
        """Pa below the room; it goes with the square of the fan's `speed`, a share of its full one (fan laws)."""
        passes = {name for name, gate in self.gates.items() if gate.position(at) >= HALF_WAY or name in self.leaks}
        open_now = frozenset(passes - self.blocked)
        key = open_now, frozenset(self.hose_off & open_now), self.clog, self.main_off
        if key not in self._known:
            self._known[key] = self._static(*key)
        return self._known[key] * speed * speed

    def reads(self, at: float, speed: float) -> float:
        """What the sensor makes of it: below the room, so negative."""
        suction = self.suction(at, speed)
        return -max(0.0, self._random.gauss(suction, suction * NOISE))

    def _static(self, open_now: frozenset[str], off: frozenset[str], clog: float, main_off: bool) -> float:
        if self._ducting is None:
            return self._by_orifices(len(open_now) + len(off) + _MAIN * main_off, clog)
        return _by_ducts(self._ducting, open_now, off, clog, main_off=main_off)

    def _by_orifices(self, ways: int, clog: float) -> float:
        """A hose that is off counts as one way more."""
        if not ways:
            return _SHUTOFF
        tree = (ways * _ORIFICE) ** -2
        clean, dirty = _FILTER
        square = _SHUTOFF / (tree + _FAN + clean + clog * (dirty - clean))
        return tree * square


def _ducting(config: Config, collector: str) -> "Ducting | None":
    from gatehand.air.duct_model import duct_systems

    found = [system.ducting for system in duct_systems(config) if system.collector == collector]
    return found[0] if found else None


def _by_ducts(
    ducting: "Ducting", open_now: frozenset[str], off: frozenset[str], clog: float, *, main_off: bool
) -> float:
    from gatehand_air.fittings import ENTRIES
    from gatehand_air.solve import Solver, Unsolved, Why

    clean, dirty = ducting.clean_filter, ducting.dirty_filter
    loss = replace(clean, factor=clean.factor + clog * (dirty.factor - clean.factor))
    ducts = tuple(
        replace(duct, length=min(duct.length, _TORN_OFF), factor=0.0) if duct.gate in off else duct
        for duct in ducting.network.ducts
    )
    if main_off:
        root = ducting.network.root
        ducts = (replace(root, length=_TORN_OFF, factor=0.0, entry=ENTRIES["plain"]),)
    network = replace(ducting.network, ducts=ducts)
    found = Solver(network, ducting.fan, loss, ducting.air, ducting.law).solve(open_now)
    if isinstance(found, Unsolved):
        if found.why is Why.ALL_SHUT or found.bound is None:
            return ducting.fan.points[0][1]
        found = found.bound
    return ducting.suction(found)
