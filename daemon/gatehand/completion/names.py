"""The names in a config, for the shell to offer: at once and without a word about what is wrong with the rest."""

import tomllib
from collections.abc import Iterable
from pathlib import Path

from gatehand.config.values import NAME
from gatehand.small_files import UnreadableError, read_bytes


def names(config: Path, kinds: Iterable[str]) -> list[str]:
    """The names of these kinds of tables, such as "tool", in the config's order; none where it cannot be read."""
    try:
        found = tomllib.loads(read_bytes(config).decode())
    except (UnreadableError, ValueError, RecursionError):
        return []
    tables = (found.get(kind) for kind in kinds)
    every = [name for table in tables if isinstance(table, dict) for name in table if NAME.fullmatch(name)]
    return list(dict.fromkeys(every))
