"""One config made ready to work with: the shop for the rules, topics in both directions, what it was read from."""

from pathlib import Path
from typing import Self

from msgspec import Struct

from gatehand.config import Config, Loaded
from gatehand.shell.encode_commands import CommandEncoder
from gatehand.shell.routes import Routes
from gatehand_rules.shop import Shop


class ActiveConfig(Struct, frozen=True):
    """A config in use, or about to be."""

    config: Config
    shop: Shop
    routes: Routes
    encoder: CommandEncoder
    text: str
    path: Path

    @classmethod
    def of(cls, loaded: Loaded) -> Self:
        """Make ready what `load` found no error in.

        Raises:
            ValueError: there is an error in it.
        """
        if loaded.config is None or loaded.shop is None:
            raise ValueError("a config with errors cannot be worked with")
        return cls(
            loaded.config, loaded.shop, Routes(loaded.config), CommandEncoder(loaded.config), loaded.text, loaded.path
        )
