"""Which boards a config has: a gate's, a collector's switch, a tool's sensor or contact, each contact apart.

A board's name is its login, its client id and its folder at once: the table's kind and name, or the key and the
collector for a contact of a collector's. What a board says besides the config's topics (`about`, and `online` where the
config has none) is worked out here alone, for the settings and for the access list.
"""

from collections.abc import Collection, Iterator, Sequence
from itertools import chain, count
from typing import Final, Literal, TypeAlias

from msgspec import Struct

from gatehand.config import Config
from gatehand.config.problems import KeyPath
from gatehand.config.signals import Contact, DeviceKind, Signal
from gatehand.homie.description import root

Role: TypeAlias = Literal["gate", "switch", "sensor", "contact"]
APART: Final = ("bin_full", "running", "reset")
"""Contacts of a collector that have a board of their own: they hang elsewhere than its switch."""
_AT_THE_SWITCH: Final = ("command", "state", "current")


class Device(Struct, frozen=True):
    """One device of the config as a board."""

    login: str
    """Such as `gate-band_saw`: also its folder and its client id."""
    kind: DeviceKind
    name: str
    """Of its table."""
    role: Role | None
    """None: no board of ours can be this."""
    signals: tuple[Signal, ...]
    """What this board says and hears, in the config's order, without its `online`."""
    given_online: Contact | None
    """As the config has it."""
    home: str
    """The topic below which it says what the config does not name."""

    @property
    def path(self) -> KeyPath:
        """Its table; of a contact apart, its key."""
        return (self.kind, self.name, self.signals[0].key) if self.is_apart else (self.kind, self.name)

    @property
    def is_apart(self) -> bool:
        """Whether it is a contact of a collector with a board of its own."""
        return self.kind == "collector" and self.signals[0].key in APART

    @property
    def may_have_online(self) -> bool:
        """Whether its table takes an `online`: the daemon then notices at once that the board is gone."""
        return not self.is_apart

    @property
    def about(self) -> str:
        """Where it says what it is."""
        return f"{self.home}/about"

    @property
    def online(self) -> str:
        """Where it says that it is there."""
        return f"{self.home}/online" if self.given_online is None else self.given_online.topic

    def signal(self, key: str) -> Signal | None:
        """One of its signals by its key in the config; None: it has none."""
        return next((one for one in self.signals if one.key == key), None)


def devices(config: Config) -> tuple[Device, ...]:
    """All of them: collectors, gates, tools, stops, then the contacts that a collector has apart."""
    taken = [one.topic for one in config.signals()]
    taken += [one.poll.topic for one in config.signals() if one.poll is not None]
    own = [config.broker.base, *([root(config)] if config.homie.enabled else [])]
    found: list[Device] = []
    for login, kind, name, role, signals, online in _each(config):
        # An `online` that the config takes up later, as it is proposed, must not move anything.
        given = None if online is None else online.topic
        others = [one for one in taken if one != given]
        others += [topic for one in found for topic in (one.about, one.online)]
        first = signals[0].topic
        beside = [given.removesuffix("/online")] if given is not None and given.endswith("/online") else _beside(first)
        home = _home(first, beside, ("about",) if online else ("about", "online"), others, own)
        found.append(Device(login, kind, name, role, signals, online, home))
    return tuple(found)


_Found: TypeAlias = tuple[str, DeviceKind, str, Role | None, tuple[Signal, ...], Contact | None]


def _each(config: Config) -> Iterator[_Found]:
    kinds: tuple[DeviceKind, ...] = ("collector", "gate", "tool", "stop")
    for kind in kinds:
        for name, table in getattr(config, kind).items():
            signals = tuple(
                one for one in config.signals() if (one.kind, one.name) == (kind, name) and one.key != "online"
            )
            if kind == "collector":
                signals = tuple(one for one in signals if one.key in _AT_THE_SWITCH)
            online: Contact | None = getattr(table, "online", None)
            yield f"{kind}-{name}", kind, name, _role(kind, signals), signals, online
    for name in config.collector:
        for one in config.signals():
            if (one.kind, one.name) == ("collector", name) and one.key in APART:
                yield f"{one.key}-{name}", "collector", name, "contact", (one,), None


def _role(kind: DeviceKind, signals: tuple[Signal, ...]) -> Role | None:
    if kind == "tool":
        by_key: dict[str, Role] = {"current": "sensor", "running": "contact"}
        return by_key.get(signals[0].key)
    by_kind: dict[str, Role] = {"collector": "switch", "gate": "gate", "stop": "contact"}
    return by_kind[kind]


def _beside(topic: str) -> list[str]:
    """The level above a topic, unless that is the whole shop's."""
    above = topic.rpartition("/")[0]
    return [above] if "/" in above else []


def _home(first: str, beside: list[str], last: Sequence[str], taken: Collection[str], own: Sequence[str]) -> str:
    """Beside its first topic; below it, where that place is another's, or the daemon's."""
    below = (first + "/board" * number for number in count())
    for home in chain(beside, below):
        said = [f"{home}/{each}" for each in last]
        within = any(each == base or each.startswith(f"{base}/") for each in said for base in own)
        if not within and not any(each in taken for each in said):
            return home
    raise AssertionError("counted to the end")
