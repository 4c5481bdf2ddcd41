"""What only shows across tables. One file for each kind; each exports `check(draft) -> Iterator[Fault]`.

No file of the user's is opened here but in `files.py`.
"""

from collections.abc import Iterator
from pathlib import Path

from gatehand.config.checks import broker, circuits, collectors, ducts, files, gates, names, signals, tools, topics
from gatehand.config.draft import Draft
from gatehand.config.problems import Fault


def check_all(draft: Draft, folder: Path | None) -> Iterator[Fault]:
    """Every fault between the tables, and, given a `folder`, in the files that the config names relative to it."""
    yield from broker.check(draft)
    yield from names.check(draft)
    yield from collectors.check(draft)
    yield from gates.check(draft)
    yield from tools.check(draft)
    yield from topics.check(draft)
    yield from signals.check(draft)
    yield from circuits.check(draft)
    yield from ducts.check(draft)
    if folder is not None:
        yield from files.check(draft, folder)
