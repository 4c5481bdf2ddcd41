"""What the suction at a collector's inlet should be with some gates open: by its ducts, its fan and its filter.

Static pressure in the duct at the inlet is the total below it less the velocity pressure there, so below the room it is
the losses of the ducts plus that velocity pressure. A dirty filter lies behind the inlet: it lowers the flow, and the
suction falls with the flow's square. What blocks a duct raises the suction as long as fan and filter together give more
pressure for less flow than the velocity pressure falls; where they do not, the suction cannot tell one from the other.
"""

from collections.abc import Collection
from typing import Final

from msgspec import Struct

from gatehand.air.duct_model import duct_system
from gatehand.config import Config
from gatehand.config.check_ducts import collector_of, root_of
from gatehand_air.ducting import Ducting
from gatehand_air.solve import Solver, Unsolved, Why
from gatehand_air.spread import spread

_UNSOLVED: Final = {
    Why.ALL_SHUT: "no open gate leads into a duct of the config",
    Why.BEYOND_CURVE: "the fan would move more air than its curve covers",
    Why.BEFORE_CURVE: "the fan would move less air than its curve covers",
    Why.NOT_CONVERGED: "the ducts could not be worked out",
}

FLAT: Final = "the fan's curve is so flat there that the suction does not tell a blocked duct from an open one"


class DuctSuction(Struct, frozen=True):
    """Pa below the room at the collector's inlet.

    Fields:
        low, high: with the filter dirty or clean, and what is not known of fan, ducts and filter, either way.
        clean, dirty: the middle with a clean and with a dirty filter.
    """

    low: float
    clean: float
    dirty: float
    high: float

    @property
    def middle(self) -> float:
        """Between clean and dirty."""
        return (self.clean + self.dirty) / 2

    @property
    def falls(self) -> float | None:
        """By what part it falls until the filter is dirty; None: the config gives no such filter."""
        return None if self.dirty >= self.clean else 1 - self.dirty / self.clean


def duct_suction(config: Config, collector: str, gates: Collection[str]) -> DuctSuction | str:
    """What the ducts should give with these gates open; a text: why nobody can tell, as a clause."""
    homes = {collector_of(config, root_of(config.duct, name)) for name in config.duct}
    if collector not in homes or collector not in config.fan:
        return f"the config has no ducts or no fan for {collector}"
    if config.fan[collector].filter_loss is None:
        return f"the config does not say what the filter loses (filter_loss in [fan.{collector}])"
    ducting = duct_system(config, collector).ducting
    if strange := [gate for gate in gates if gate not in ducting.network.gates]:
        return f"gate {strange[0]} has no duct in the config"
    clean, dirty = _with_spread(ducting, ducting.clean, gates), _with_spread(ducting, ducting.dirty, gates)
    if isinstance(clean, str):
        return clean
    if isinstance(dirty, str):
        return dirty
    return DuctSuction(max(0.0, dirty[0] - dirty[1]), clean[0], dirty[0], clean[0] + clean[1])


def _with_spread(ducting: Ducting, solver: Solver, gates: Collection[str]) -> tuple[float, float] | str:
    """Static suction at the inlet and its half-width, Pa; a text: why there is none, as a clause."""
    found = solver.solve(gates)
    if isinstance(found, Unsolved):
        return _UNSOLVED[found.why]
    suction = ducting.suction(found)
    dynamic = suction - found.behind[-1]
    if solver.net(found.flow)[1] + 2 * dynamic / found.flow >= 0:
        return FLAT
    return suction, spread(solver, gates, found, ducting.ignorance).suction
