"""What is wrong with a config: `Fault` where the keys know it, `Problem` where file, line and column are known too.

Records only; nothing here looks at files or models.
"""

from enum import StrEnum
from typing import TypeAlias

from msgspec import Struct
from msgspec.structs import asdict

KeyPath: TypeAlias = tuple[str | int, ...]
"""Where a value stands in the parsed TOML: names of tables and keys, numbers in lists."""


class Level(StrEnum):
    """An error keeps the config from being used, a warning does not."""

    ERROR = "error"
    WARNING = "warning"


class Fault(Struct, frozen=True):
    """One thing wrong at one key. `at_key`: the key's name is at fault, not its value."""

    path: KeyPath
    message: str
    level: Level = Level.ERROR
    at_key: bool = False


class Problem(Struct, frozen=True):
    """One thing wrong in a file. `line` and `column` count from 1, columns in characters."""

    file: str
    line: int
    column: int
    where: str
    """The key in dotted form, such as `tool.band_saw.start_amps`; empty when the whole file is meant."""
    level: Level
    message: str

    def __str__(self) -> str:
        where = f"{self.where}: " if self.where else ""
        return f"{self.file}:{self.line}:{self.column}: {self.level}: {where}{self.message}"

    def as_dict(self) -> dict[str, str | int]:
        """The same facts for programs."""
        return asdict(self)


def dotted(path: KeyPath) -> str:
    """The path as a person writes it: `tool.band_saw.gates[1]`."""
    text = ""
    for part in path:
        if isinstance(part, int):
            text += f"[{part}]"
        else:
            text += f".{_part(part)}" if text else _part(part)
    return text


def _part(name: str) -> str:
    bare = name.isascii() and name.replace("_", "").replace("-", "").isalnum()
    return name if bare else f'"{name}"'
