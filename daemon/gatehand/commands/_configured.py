"""The config for commands: in order, or what can be read of it; what is wrong with it goes to standard error."""

import sys
from pathlib import Path

from gatehand.commands import CommandError
from gatehand.config import Config, Loaded, load
from gatehand.config.load import salvage
from gatehand_rules import Shop


def configured(path: Path) -> tuple[Config, Loaded, Shop]:
    """The config in order. Warnings are `gatehand check`'s business.

    Who reads the log need not be able to write it or to read the daemon's password: files are not looked at here.

    Raises:
        CommandError: it has errors.
    """
    loaded = load(path, files=False)
    if loaded.config is None or loaded.shop is None:
        raise CommandError("\n".join(map(str, loaded.errors)))
    return loaded.config, loaded, loaded.shop


def readable(path: Path) -> tuple[Loaded, Config | None]:
    """The config, or what can be read of one with errors, with a note of that; None: there is no text.

    For commands that only look: the daemon works on with its last good config while this one is being mended.
    """
    loaded = load(path, files=False)
    if loaded.config is not None:
        return loaded, loaded.config
    if not loaded.text:
        for problem in loaded.errors:
            print(problem, file=sys.stderr)
        return loaded, None
    print(f"{path} has errors, gatehand check shows them; using what can be read of it", file=sys.stderr)
    return loaded, salvage(loaded.text)
