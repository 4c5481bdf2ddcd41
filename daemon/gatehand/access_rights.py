"""Who may say and hear what on the broker: the daemon, a viewer, hands (a screen with buttons), the page, each device.

Worked out from the config. A device's user is named after its table in the config, such as `gate-band_saw`.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from gatehand.boards.devices import Device, devices
from gatehand.config import Config
from gatehand.config.signals import Signal
from gatehand.config.tables import PAGE_ASKS
from gatehand.homie.description import root
from gatehand.text import listed

_HEAD = """\
# Who may say and hear what, by `gatehand access` from the config. Write it again when a topic or [page] changes.
# Nobody has a right that is not named here, and nobody gets in without a password (allow_anonymous false).
"""


class Right(StrEnum):
    """What a user may do with a topic."""

    READ = "read"
    WRITE = "write"
    READ_WRITE = "readwrite"


@dataclass(frozen=True, slots=True)
class User:
    """A login name and its rights: (right, topic filter) pairs."""

    name: str
    what: str
    rights: tuple[tuple[Right, str], ...]


def users(config: Config) -> tuple[User, ...]:
    """The daemon first, then the viewer, the hands and (where the config has one) the page, then every device."""
    machines = tuple(_machines(config))
    base, login = config.broker.base, config.broker.username or "gatehand"
    # The convention's tree: the daemon's own device, and what a controller may set.
    device = [f"{root(config)}/#"] if config.homie.enabled else []
    settable = [f"{root(config)}/+/+/set"] if config.homie.enabled else []
    asked = [one.poll.topic for one in config.signals() if one.poll is not None]
    commanded = [topic for one in machines for right, topic in one.rights if right is Right.READ and topic not in asked]
    reported = [topic for one in machines for right, topic in one.rights if right in {Right.WRITE, Right.READ_WRITE}]
    # It reads command topics too: a retained message found on one is an alarm.
    daemon = _rights(
        (Right.READ_WRITE, [f"{base}/#", *device, *commanded]), (Right.READ, reported), (Right.WRITE, asked)
    )
    viewer = _rights((Right.READ, [f"{base}/#", *device, *commanded, *reported, *asked]))
    asks = [f"{base}/gate/+/hand", *(f"{base}/collector/+/{what}" for what in ("reset", "hold", "off"))]
    asks += [f"{base}/alarm/+/ack", f"{base}/reload", *settable]
    hands = _rights((Right.READ, [f"{base}/#", *device]), (Right.WRITE, asks))
    return (
        User(login, "the daemon: commands, its own state, and all that devices say", daemon),
        User("viewer", "may look at everything and say nothing", viewer),
        User(
            "hands",
            "a screen or script with buttons: hand start, hold, reset, off, reload, acknowledging alarms",
            hands,
        ),
        *_page(config),
        *machines,
    )


_ASKED_ON: Final = {"hand": "gate/+/hand", "hold": "collector/+/hold", "reset": "collector/+/reset"}
"""Where what `[page] allow` names is asked for, below the base."""


def _page(config: Config) -> Iterable[User]:
    """The server of the page: who breaks into it can ask for what the page itself would, and for nothing else."""
    if config.page is None:
        return
    base, allowed = config.broker.base, config.page.allow
    may = listed((PAGE_ASKS[each] for each in allowed), last="and") if allowed else "nothing, as [page] allow is empty"
    rights = _rights((Right.READ, [f"{base}/#"]), (Right.WRITE, [f"{base}/{_ASKED_ON[each]}" for each in allowed]))
    yield User("page", f"gatehand page, the shop on a phone: may ask for {may}", rights)


def _machines(config: Config) -> Iterable[User]:
    """Each device, then each contact of a collector that may be a board of its own."""
    every = devices(config)
    for device in every:
        kind, name = device.kind, device.name
        # A collector's device may be all in one: its switch, its bin's contact, its button.
        own = [one for one in config.signals() if (one.kind, one.name) == (kind, name)]
        what = f"the device of [{kind}.{name}]: its own topics only"
        if device.is_apart:
            own = list(device.signals)
            what = f"a board for {own[0].key} of [{kind}.{name}]: its own topics only"
        yield User(device.login, what, _rights(*_of(device, own)))


def _of(device: Device, signals: list[Signal]) -> Iterable[tuple[Right, list[str]]]:
    """What a device hears and says. It hears its own `online` too, for its will may come late: then it speaks again."""
    yield Right.READ, [one.topic for one in signals if one.heard is None]
    yield Right.READ, [one.poll.topic for one in signals if one.poll is not None]
    yield Right.WRITE, [one.topic for one in signals if one.heard is not None and one.topic != device.online]
    yield Right.READ_WRITE, [device.online]
    yield Right.WRITE, [device.about]


def _rights(*groups: tuple[Right, Iterable[str]]) -> tuple[tuple[Right, str], ...]:
    """Pairs without doubles, in order: a topic keeps the first right it was given."""
    found: dict[str, Right] = {}
    for right, topics in groups:
        for topic in topics:
            found.setdefault(topic, right)
    return tuple((right, topic) for topic, right in found.items())


def access_list(users: tuple[User, ...]) -> str:
    """The whole list in the form that Mosquitto's `acl_file` wants (mosquitto.conf(5))."""
    parts = [_HEAD]
    for user in users:
        lines = [f"# {user.what}", f"user {user.name}"]
        lines += [f"topic {right} {topic}" for right, topic in user.rights]
        parts.append("\n".join(lines) + "\n")
    return "\n".join(parts)
