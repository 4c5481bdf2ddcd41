"""For every command that needs a config in order: load it, or say on standard error what is wrong with it."""

import sys
from pathlib import Path

from gatehand.config import Config, Loaded, load


def load_or_explain(path: Path) -> tuple[Config, Loaded] | None:
    """The config, or None after its errors have been printed. Warnings are `gatehand check`'s business.

    Who reads the log need not be able to write it or to read the daemon's password: files are not looked at here.
    """
    loaded = load(path, files=False)
    if loaded.config is not None:
        return loaded.config, loaded
    for problem in loaded.errors:
        print(problem, file=sys.stderr)
    return None
