"""Readings that say when they were measured: where in the payload, and how old one may be."""

from collections.abc import Iterator

from gatehand.config.partial import Partial
from gatehand.config.problems import Fault, KeyPath
from gatehand.config.signals import Current
from gatehand.text import shown


def check(partial: Partial) -> Iterator[Fault]:
    """Every fault of `at` and `max_age`."""
    for name, fan in partial.config.collector.items():
        if fan.current is not None:
            yield from _dated(partial, ("collector", name, "current"), fan.current)
    for name, tool in partial.config.tool.items():
        yield from _dated(partial, ("tool", name, "current"), tool.current)


def _dated(partial: Partial, path: KeyPath, current: Current) -> Iterator[Fault]:
    if current.at is None:
        if current.max_age is not None and not partial.is_spoilt(*path, "at"):
            text = (
                "nothing says how old a reading is: add at, the JSON pointer to when it was measured, "
                'such as at = "/time"; or leave max_age out'
            )
            yield Fault((*path, "max_age"), text)
        return
    if not current.pointer and not partial.is_spoilt(*path, "pointer"):
        text = (
            "the payload is the number itself, so it cannot say when it was measured too: "
            'add pointer, the JSON pointer to the current, such as pointer = "/amps"; or leave at out'
        )
        yield Fault((*path, "at"), text)
    elif current.pointer == current.at:
        text = f"found {shown(current.at)}, which is the current itself (pointer); wanted where its time stands"
        yield Fault((*path, "at"), text)
