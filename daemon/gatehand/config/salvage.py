"""What can still be read of a config with errors: for `gatehand off`, which must do its best whatever was edited."""

import tomllib

from gatehand.config.draft import read
from gatehand.config.tree import Config


def salvage(text: str) -> Config | None:
    """The keys that are right; None when the text is no TOML. Nothing across tables has been checked."""
    try:
        return read(tomllib.loads(text)).config
    except (ValueError, RecursionError):
        return None
