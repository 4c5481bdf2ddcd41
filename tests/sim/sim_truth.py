"""What really happened to the fans, from the models: softer than the monitor, because no daemon can see a lie.

Counts the seconds in which a motor turned with too few gates physically open, and says which fault goes with them.
"""

from collections import defaultdict
from collections.abc import Callable
from dataclasses import dataclass, field
from math import inf

from sim_happening import Happening

from gatehand.config import Config
from gatehand.simshop.sim_shop import SimShop

REMEMBER = 90.0
"""Seconds for which a fault that is over still explains what follows from it."""
LONGEST_DELAY = 180.0
"""Seconds that a message may be under way on a bad radio."""
_LYING = (
    *("gate_", "fan_", "radio_", "broker_", "cable_", "daemon_", "retained_", "edit_", "power_", "dead_", "flood"),
    *("frozen", "wrong_", "held_"),
)


@dataclass
class Truth:
    """One shop under the eyes of somebody who stands in it."""

    config: Config
    shop: SimShop
    homes: dict[str, str]
    seconds: dict[str, float] = field(default_factory=lambda: defaultdict(float))
    """Seconds without air, by cause."""
    turning: float = 0.0
    unexplained: list[tuple[float, float, str]] = field(default_factory=list)
    """When, for how long, which fan: nothing was wrong and yet it turned without air."""
    doubtful: set[str] = field(default_factory=set)
    """Gates that were moved by hand or broken, or "" when messages were lost or late: earlier on, at any time."""
    killed_at: float = -inf
    """When a daemon last died; it may be long after the fault that let it."""
    _since: dict[str, float] = field(default_factory=dict)
    _cause: dict[str, str] = field(default_factory=dict)
    _last: float = 0.0
    _turns: dict[str, bool] = field(default_factory=dict)

    def look(self, now: float, recent: list[Happening], day: float, believed: Callable[[str], bool]) -> None:
        """At least whenever something may have changed.

        `recent`: what went wrong lately, in seconds from `day`; `believed`: whether a gate is proven open by all that
        was visible.
        """
        span, self._last = now - self._last, now
        for name, fan in self.shop.collectors.items():
            if self._turns.get(name):
                self.turning += span
            self._turns[name] = fan.turns
            if not fan.turns or self._open(name, now) >= self.config.collector[name].min_open:
                self._over(name, now)
            elif name not in self._since:
                self._since[name] = now
                self._cause[name] = self._why(name, now, recent, day) or self._blind(name, now, believed)
            elif self._cause[name] == "":
                self._cause[name] = self._why(name, now, recent, day) or self._blind(name, now, believed)

    def _open(self, fan: str, now: float) -> int:
        return sum(1 for gate, home in self.homes.items() if home == fan and self.shop.gates[gate].position(now) == 1.0)

    def _over(self, fan: str, now: float) -> None:
        since = self._since.pop(fan, None)
        if since is None:
            return
        cause = self._cause.pop(fan)
        self.seconds[cause or "unexplained"] += now - since
        if not cause:
            self.unexplained.append((since, now - since, fan))

    def _blind(self, fan: str, now: float, believed: Callable[[str], bool]) -> str:
        """A gate of which everybody must think that it is open: it cannot report, or its report was untrue."""
        for gate, home in self.homes.items():
            if home == fan and self.shop.gates[gate].position(now) < 1.0 and believed(gate):
                if self.config.gate[gate].state is None:
                    return "gate_without_report"
                if gate in self.doubtful or "" in self.doubtful:
                    return "gate_report_untrue"
        return ""

    def _why(self, fan: str, now: float, recent: list[Happening], day: float) -> str:
        for each in reversed(recent):
            concerns = each.name in {"", fan} or self.homes.get(each.name) == fan
            after = REMEMBER + (LONGEST_DELAY if each.kind == "radio_bad" else 0.0)
            lately = day + each.at <= now <= day + max(each.until, each.at) + after
            if concerns and lately and each.kind.startswith(_LYING):
                return each.kind
        return "daemon_killed" if now - self.killed_at <= REMEMBER else ""
