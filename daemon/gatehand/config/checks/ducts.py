"""Ducts and fans: `air_check.py` is asked, though only when the tables that it reads are whole."""

from collections.abc import Iterator

from gatehand.config.air_check import cross_check
from gatehand.config.partial import Partial
from gatehand.config.problems import Fault

_READ_BY_IT = ("collector", "gate", "tool", "fan", "duct")


def check(partial: Partial) -> Iterator[Fault]:
    """Every fault of the ducts; none while a table that they name could not be read."""
    if not any(bad[:1] == (kind,) and len(bad) <= 2 for bad in partial.spoilt for kind in _READ_BY_IT):  # noqa: PLR2004
        yield from (Fault(path, message) for path, message in cross_check(partial.config))
