"""What a solve gives back: the flows, or why there are none. Records only, SI units."""

from dataclasses import dataclass
from enum import StrEnum
from typing import TypeAlias


class Why(StrEnum):
    """Why there is no answer."""

    ALL_SHUT = "all_shut"
    """No way in for the air."""
    BEYOND_CURVE = "beyond_curve"
    """The fan would move more than its curve's last point tells of."""
    BEFORE_CURVE = "before_curve"
    """The fan would move less than its curve's first point tells of."""
    NOT_CONVERGED = "not_converged"


@dataclass(frozen=True, slots=True)
class Unsolved:
    """No flows for this set of gates. `limit` is the curve's end in m3/s where that is the reason."""

    why: Why
    limit: float | None = None


@dataclass(frozen=True, slots=True)
class Solution:
    """Flows in m3/s, pressures in Pa.

    Fields:
        flow: through the fan.
        pressure: the fan's static pressure at that flow, by its curve.
        filter_loss: what the filter takes of it.
        residual: greatest imbalance found by the check, as a part of the suction at the root.
        rounds: Newton's rounds.
        ducts, through, behind: names of the ducts with air in them, flow in each, total suction at its fan end.
    """

    flow: float
    pressure: float
    filter_loss: float
    residual: float
    rounds: int
    ducts: tuple[str, ...]
    through: tuple[float, ...]
    behind: tuple[float, ...]

    @property
    def flows(self) -> dict[str, float]:
        """Flow by duct."""
        return dict(zip(self.ducts, self.through, strict=True))

    @property
    def suctions(self) -> dict[str, float]:
        """Total suction below the room, by duct, at its fan end."""
        return dict(zip(self.ducts, self.behind, strict=True))


Answer: TypeAlias = Solution | Unsolved
