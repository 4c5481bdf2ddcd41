"""Names of ours as the convention's ids: a to z, 0 to 9 and hyphens (section "Topic IDs"). Pure."""

import re
from collections.abc import Iterable

from gatehand.config import Config

_ELSE = re.compile(r"[^a-z0-9]+")


def to_id(name: str) -> str:
    """A name or topic as an id: `band_saw` is `band-saw`. Two names may come to the same; see `ids`."""
    return _ELSE.sub("-", name.lower()).strip("-") or "x"


def ids(names: Iterable[str]) -> dict[str, str]:
    """Each name's id, all different: where two come to the same, the later gets a number."""
    found: dict[str, str] = {}
    taken: set[str] = set()
    for name in names:
        wanted = own = to_id(name)
        number = 2
        while own in taken:
            own = f"{wanted}-{number}"
            number += 1
        found[name] = own
        taken.add(own)
    return found


def root(config: Config) -> str:
    """The device's base topic (sections "Base Topic", "Devices"): its id is made from the daemon's own base."""
    return f"{config.homie.domain}/5/{to_id(config.broker.base)}"
