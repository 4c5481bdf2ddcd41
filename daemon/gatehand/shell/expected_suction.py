"""What a suction should be with some gates open: the shop's own baseline, else what the ducts of the config give.

A baseline is of the ducts and gates as they were. It is void once one of the collector's ducts, the name of one of its
gates, or the sensor's unit has changed in the config: nobody knows what the suction should be then. What the ducts give
is worked out elsewhere, once for each set.
"""

import hashlib
import json
import threading
from collections.abc import Callable, Iterable, Mapping
from functools import partial
from typing import TYPE_CHECKING, Final, TypeAlias

import msgspec
from msgspec import Struct

from gatehand.config import Config
from gatehand.config.check_ducts import collector_of, root_of
from gatehand.shell.active_config import ActiveConfig
from gatehand.shell.suction_watch import By, Expected, Gates

if TYPE_CHECKING:
    from gatehand.air.suction_expected import DuctSuction

MARGIN: Final = 0.1
"""Of a baseline, either way: the sensor, the weather and the gates' own play [practice]."""
FALLS: Final = 0.3
"""By so much the suction falls until the filter is due, where the ducts do not tell [practice]: flow goes with its
square root, so a sixth of the air is lost then."""
_KIND: Final = "suction"
MOST_SETS: Final = 500
"""Sets of gates of which is remembered what their ducts should give."""
Elsewhere: TypeAlias = Callable[[Callable[[], None]], None]
"""Has something done outside the control loop, soon."""


class Baseline(Struct, frozen=True):
    """Pa below the room at the collector's inlet, with exactly these gates open."""

    collector: str
    gates: Gates
    pascals: float
    scatter: float
    """Half of what the readings lay apart, Pa."""
    at: str
    """RFC 3339."""
    made_of: str
    """Fingerprint of the ducts and names that it is of."""

    @property
    def key(self) -> str:
        """By which it is kept."""
        return baseline_key(self.collector, self.gates)

    def expected(self, falls: float | None) -> Expected:
        """What the suction should be by it. `falls`: by what part it does with a dirty filter; None: not known."""
        margin = max(MARGIN * self.pascals, self.scatter)
        low = self.pascals * (1 - (FALLS if falls is None else falls)) - margin
        return Expected(max(low, 0.0), self.pascals, self.pascals + margin, By.BASELINE, self.at)


def baseline_key(collector: str, gates: Iterable[str]) -> str:
    """By which a baseline is kept: names hold no slash and no plus."""
    return f"{_KIND}/{collector}/{'+'.join(sorted(gates))}"


def baselines_of(kept: Mapping[str, object]) -> dict[str, Baseline]:
    """Those among what the state file keeps; what is no baseline of a suction is left alone."""
    found: dict[str, Baseline] = {}
    for key, value in kept.items():
        if key.startswith(f"{_KIND}/"):
            try:
                found[key] = msgspec.convert(value, Baseline)
            except msgspec.ValidationError:
                continue  # of another version
    return found


def made_of(config: Config, collector: str) -> str:
    """Fingerprint of what a baseline is of: the collector's ducts, its gates' names, and the sensor's unit."""
    ducts = {
        name: duct.model_dump(mode="json", exclude_defaults=True, warnings=False)
        for name, duct in config.duct.items()
        if collector_of(config, root_of(config.duct, name)) == collector
    }
    gates = sorted(name for name in config.gate if config.gate_collector(name) == collector)
    sensor = config.collector[collector].suction
    what = [config.airflow.units if ducts else "", ducts, gates, None if sensor is None else sensor.to_pascals]
    return hashlib.sha256(json.dumps(what, sort_keys=True).encode()).hexdigest()[:16]


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

    def of(self, collector: str, gates: Gates) -> "DuctSuction | str | None":
        """What they should give; a text: why nobody can tell; None: not known yet."""
        key = collector, gates
        if key not in self._found:
            if len(self._found) >= MOST_SETS:
                self._found.clear()
            self._found[key] = None
            self._elsewhere(partial(self._work, collector, gates))
        return self._found[key]

    def _work(self, collector: str, gates: Gates) -> None:
        try:
            from gatehand.air.suction_expected import duct_suction  # not at the daemon's start

            found: DuctSuction | str = duct_suction(self._config, collector, gates)
        except Exception as error:  # noqa: BLE001 - whatever it is, nobody can tell then; the shop goes on
            found = f"working it out failed ({type(error).__name__}: {error})"
        self._found[collector, gates] = found
