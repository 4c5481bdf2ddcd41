"""What a suction should be with some gates open, by the ducts of the config, where there is no baseline.

What the ducts give is worked out elsewhere, once for each set of gates; the baselines are kept in `baselines.py`.
"""

import threading
from collections.abc import Callable
from functools import partial
from typing import TYPE_CHECKING, Final

from gatehand.shell.active_config import ActiveConfig
from gatehand.shell.suction_port import Elsewhere
from gatehand.shell.suction_watch import Gates

if TYPE_CHECKING:
    from gatehand.air.suction_expected import DuctSuction

MOST_SETS: Final = 500
"""Sets of gates of which is remembered what their ducts should give."""


def in_a_thread(work: Callable[[], None]) -> None:
    """Nobody waits for it at the end of the process."""
    threading.Thread(target=work, name="suction", daemon=True).start()


class Ducts:
    """What the ducts of one config should give, by set of gates: worked out elsewhere, once each."""

    def __init__(self, active: ActiveConfig, elsewhere: Elsewhere) -> None:
        self._config = active.config
        self._elsewhere = elsewhere
        self._found: dict[tuple[str, Gates], DuctSuction | str | None] = {}
        """None: it is being worked out."""
        self._flat: set[tuple[str, Gates]] = set()

    def of(self, collector: str, gates: Gates) -> "DuctSuction | str | None":
        """What they should give; a text: why nobody can tell; None: not known yet."""
        key = collector, gates
        if key not in self._found:
            if len(self._found) >= MOST_SETS:
                self._found.clear()
            self._found[key] = None
            self._elsewhere(partial(self._work, collector, gates))
        return self._found[key]

    def is_flat(self, collector: str, gates: Gates) -> bool:
        """Known by the fan's curve: there the suction does not tell a blocked duct from an open one."""
        return (collector, gates) in self._flat

    def _work(self, collector: str, gates: Gates) -> None:
        try:
            from gatehand.air.suction_expected import FLAT, duct_suction  # not at the daemon's start

            found: DuctSuction | str = duct_suction(self._config, collector, gates)
            if found is FLAT:
                self._flat.add((collector, gates))
        except Exception as error:  # noqa: BLE001 - whatever it is, nobody can tell then; the shop goes on
            found = f"working it out failed ({type(error).__name__}: {error})"
        self._found[collector, gates] = found
