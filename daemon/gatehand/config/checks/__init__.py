"""What only shows across tables. One file for each kind; each exports `check(partial) -> Iterator[Fault]`.

No file of the user's is opened here but in `files.py`.
"""

from collections.abc import Iterator
from pathlib import Path

from gatehand.config.checks import broker, circuits, collectors, ducts, files, gates, names, signals, tools, topics
from gatehand.config.partial import Partial
from gatehand.config.problems import Fault


def check_all(partial: Partial, folder: Path | None) -> Iterator[Fault]:
    """Every fault between the tables, and, given a `folder`, in the files that the config names relative to it."""
    yield from broker.check(partial)
    yield from names.check(partial)
    yield from collectors.check(partial)
    yield from gates.check(partial)
    yield from tools.check(partial)
    yield from topics.check(partial)
    yield from signals.check(partial)
    yield from circuits.check(partial)
    yield from ducts.check(partial)
    if folder is not None:
        yield from files.check(partial, folder)
