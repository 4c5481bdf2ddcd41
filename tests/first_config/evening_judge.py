"""What came of a first evening, beside what is true of its shop, signal by signal."""

from collections.abc import Iterator
from dataclasses import dataclass

from made_shops import MadeShop

from gatehand.config import Config
from gatehand.config.signals import SENSORS, Contact, Meter, Signal


@dataclass(frozen=True)
class Role:
    """One signal of the true config. `found`: what the evening has in its place; empty: nothing."""

    key: str
    right: bool
    found: str = ""


def roles(shop: MadeShop, found: Config) -> Iterator[Role]:
    """Every signal that is true of the shop, and whether it was found."""
    theirs = {_key(one): one for one in found.signals()}
    for true in shop.config.signals():
        here = theirs.get(_key(true))
        yield Role(_key(true), here is not None and _same(shop, true, here), "" if here is None else str(here.table))


def wrong_ones(shop: MadeShop, found: Config) -> Iterator[str]:
    """Signals that the evening has and the shop has not."""
    true = {_key(one) for one in shop.config.signals()}
    for one in found.signals():
        if _key(one) not in true:
            yield f"{_key(one)}: {one.table}"


def _key(one: Signal) -> str:
    return f"{one.kind}.{one.name}.{'sensor' if one.key in SENSORS else one.key}"


def _same(shop: MadeShop, true: Signal, found: Signal) -> bool:
    a, b = true.table, found.table
    if isinstance(a, Meter):
        if not isinstance(b, Meter) or a.topic != b.topic:
            return False
        if a.pointer == b.pointer:
            return type(a) is type(b) and a.scale == b.scale
        # A meter that says amps and watts of one machine says either.
        also = next((one.kind for one in shop.beside.get(a.topic, ()) if one.pointer == b.pointer), "")
        return also.startswith(f"also {found.key} of {a.pointer}") and b.scale == 1.0
    words = ("on", "off", "open", "shut", "active", "clear", "pressed", "released")
    if isinstance(a, Contact) != isinstance(b, Contact):
        return False
    return (a.topic, getattr(a, "pointer", None)) == (b.topic, getattr(b, "pointer", None)) and all(
        getattr(a, word, None) == getattr(b, word, None) for word in words
    )
