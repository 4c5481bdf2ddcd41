"""What is wrong with a config: `Fault` where the keys know it, `Problem` where file, line and columns are known too."""

from typing import TypeAlias

from msgspec import Struct

from gatehand.config.codes import Code, Severity

KeyPath: TypeAlias = tuple[str | int, ...]
"""Where a value stands in the parsed TOML: names of tables and keys, numbers in lists."""


class Fault(Struct, frozen=True):
    """One thing wrong at one key. `at_key`: the key's name is at fault, not its value."""

    path: KeyPath
    code: Code
    message: str
    at_key: bool = False
    fix: str | None = None
    """The name that was surely meant, in place of the key or of the text that is the value."""

    @property
    def level(self) -> Severity:
        """Whether it keeps the config from being used."""
        return self.code.level


class Problem(Struct, frozen=True):
    """One thing wrong in a file. Lines and columns count from 1, columns in characters."""

    file: str
    line: int
    column: int
    end_column: int
    """The first column behind it, in the same line."""
    where: str
    """The key in dotted form, such as `tool.band_saw.start_amps`; empty when the whole file is meant."""
    level: Severity
    code: str
    """One of `codes.CODES`."""
    message: str
    fix: str | None = None
    """What surely belongs there instead, from `column` to `end_column`; None: only a person can tell."""

    def __str__(self) -> str:
        where = f"{self.where}: " if self.where else ""
        return f"{self.file}:{self.line}:{self.column}: {self.level}: {where}{self.message}"


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
