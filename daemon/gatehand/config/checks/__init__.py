"""What only shows across tables. One file for each kind; each exports `check(draft) -> Iterator[Fault]`.

No file of the user's is opened here but in `files.py`.
"""

from collections.abc import Iterator
from pathlib import Path

from gatehand.config.checks import circuits, collectors, ducts, files, gates, names, tools, topics
from gatehand.config.draft import Draft
from gatehand.config.problems import Fault


def check_all(draft: Draft, folder: Path) -> Iterator[Fault]:
    """Every fault between the tables, and in the files that the config names relative to `folder`."""
    yield from names.check(draft)
    yield from collectors.check(draft)
    yield from gates.check(draft)
    yield from tools.check(draft)
    yield from topics.check(draft)
    yield from circuits.check(draft)
    yield from ducts.check(draft)
    yield from files.check(draft, folder)
