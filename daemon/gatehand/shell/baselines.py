"""The shop's own suctions, taken by `exercise --suction`: kept beyond the daemon's end, and whose each is now.

A baseline is of the ducts and gates as they were. It is void once one of the collector's ducts, the name of one of its
gates, or the sensor's unit has changed in the config: nobody knows what the suction should be then. A renamed collector
is known by its command topic, as its hold is.
"""

import hashlib
import json
from collections.abc import Iterable, Iterator, Mapping
from typing import TYPE_CHECKING, Final

import msgspec
from msgspec import Struct
from msgspec.structs import replace

from gatehand.config import Config, Fault, codes
from gatehand.shell.suction_watch import MARGIN, By, Expected, Gates

if TYPE_CHECKING:
    from gatehand.shell.notebook import Notebook

FALLS: Final = 0.3
"""By so much the suction falls until the filter is due, where the ducts do not tell [practice]: flow goes with its
square root, so a sixth of the air is lost then."""
_KIND: Final = "suction"


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
    command_topic: str = ""
    """Of the collector; "" in what an earlier version kept."""

    @property
    def key(self) -> str:
        """By which it is kept."""
        return baseline_key(self.collector, self.gates)

    def expected(self, falls: float | None, *, tells_way: bool = True) -> Expected:
        """What the suction should be by it. `falls`: by what part it does with a dirty filter; None: not known."""
        margin = max(MARGIN * self.pascals, self.scatter)
        low = self.pascals * (1 - (FALLS if falls is None else falls)) - margin
        return Expected(max(low, 0.0), self.pascals, self.pascals + margin, By.BASELINE, self.at, tells_way)


def baseline_key(collector: str, gates: Iterable[str]) -> str:
    """By which a baseline is kept: names hold no slash and no plus."""
    return f"{_KIND}/{collector}/{'+'.join(sorted(gates))}"


class Baselines:
    """Those of one shop, each under the name that its collector has now."""

    def __init__(self, notebook: "Notebook") -> None:
        self._notebook = notebook
        self._kept: dict[str, Baseline] = {}
        self._made_of: dict[str, str] = {}

    def begin(self, config: Config) -> None:
        """Another config: a collector may have another name in it."""
        self._made_of = {name: made_of(config, name) for name in config.collector}
        self._kept = baselines_of(self._notebook.baselines)
        found = _renamed(self._kept, config)
        for key in self._kept.keys() - found.keys():
            self._notebook.forget_baseline(key)
        for key, one in found.items():
            if self._kept.get(key) != one:
                self._notebook.note_baseline(key, one)
        self._kept = found

    def of(self, collector: str, gates: Gates) -> Baseline | None:
        """The one that counts with exactly these gates open."""
        found = self._kept.get(baseline_key(collector, gates))
        return found if found is not None and self._counts(found) else None

    def void(self, collector: str) -> int:
        """How many of its own no longer count."""
        return sum(one.collector == collector and not self._counts(one) for one in self._kept.values())

    def keep(self, config: Config, level: tuple[str, Gates], pascals: float, scatter: float, at: str) -> None:
        """What was measured with the gates of that collector counts from now on."""
        name, gates = level
        topic = config.collector[name].command.topic
        one = Baseline(name, gates, round(pascals, 1), round(scatter, 1), at, self._made_of[name], topic)
        self._kept[one.key] = one
        self._notebook.note_baseline(one.key, one)

    def _counts(self, one: Baseline) -> bool:
        return one.made_of == self._made_of.get(one.collector)


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


def _renamed(kept: Mapping[str, Baseline], config: Config) -> dict[str, Baseline]:
    """The same, by the name that each one's collector has in this config: by its command topic, else by its name."""
    named = {fan.command.topic: name for name, fan in config.collector.items()}
    by_name, by_topic = dict[str, Baseline](), dict[str, Baseline]()
    for one in kept.values():
        owner = named.get(one.command_topic)
        if owner is not None:
            found = replace(one, collector=owner)
            by_topic[found.key] = found
        elif one.collector in config.collector:
            found = replace(one, command_topic=config.collector[one.collector].command.topic)
            by_name[found.key] = found
        else:
            by_name[one.key] = one  # its collector is gone, and may come back
    return by_name | by_topic


def made_of(config: Config, collector: str) -> str:
    """Fingerprint of what a baseline is of: the collector's ducts, its gates' names, and the sensor's unit.

    The collector's own name is no part of it, nor is that of the duct at the collector, which is often called like it.
    """
    from gatehand.config.check_ducts import collector_of, root_of  # a shop without a sensor has no use for it

    ducts = {}
    for name, duct in config.duct.items():
        root = root_of(config.duct, name)
        if collector_of(config, root) == collector:
            found = duct.model_dump(mode="json", exclude_defaults=True, exclude={"collector"}, warnings=False)
            if found.get("into") == root:
                found["into"] = ""
            ducts["" if name == root else name] = found
    gates = sorted(name for name in config.gate if config.gate_collector(name) == collector)
    sensor = config.collector[collector].suction
    what = [config.airflow.units if ducts else "", ducts, gates, None if sensor is None else sensor.to_pascals]
    return hashlib.sha256(json.dumps(what, sort_keys=True).encode()).hexdigest()[:16]


def check_suction(config: Config, kept: Mapping[str, object]) -> Iterator[Fault]:
    """Sensors with nothing to compare with: neither ducts with a filter, nor a baseline. `kept`: of the state file."""
    from gatehand.config.check_ducts import collector_of, root_of

    baselines = _renamed(baselines_of(kept), config).values()
    homes = {collector_of(config, root_of(config.duct, name)) for name in config.duct}
    for name, fan in config.collector.items():
        table = config.fan.get(name)
        by_ducts = name in homes and table is not None and table.filter_loss is not None
        if fan.suction is None or by_ducts:
            continue
        own = [one for one in baselines if one.collector == name]
        if any(one.made_of == made_of(config, name) for one in own):
            continue
        void = "its baselines are of other ducts, gates or another unit" if own else "it has no baseline"
        lacks = f"filter_loss in [fan.{name}]" if name in homes and table is not None else "ducts and a fan"
        yield Fault(
            ("collector", name, "suction"),
            codes.SUCTION_ALONE,
            f"its suction is compared with nothing: {void}, and the config has no {lacks} to work it out from, so no "
            "alarm can come of it; run gatehand exercise --suction once the daemon is up",
        )
