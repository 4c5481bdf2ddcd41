"""Writes settings into the config with tomlkit, which keeps comments and layout; shows the difference first."""

import difflib
import re
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

from gatehand.config.positions import scan
from gatehand.config.signals import SENSORS
from gatehand.config.tables import STOP_SHARE, ToolTable
from gatehand.measures import UNITS, threshold_key
from gatehand.tune.proposed_settings import rounded

_BELOW: Final = (*(threshold_key("start", measure) for measure in SENSORS.values()), *SENSORS)
"""New keys stand below the first of these that there is."""
MISSING = "gatehand tune --write needs tomlkit; install it with: pip install 'gatehand[edit]'"


class NoEditError(Exception):
    """The config cannot be changed; the text says why and what to do."""


def edited(text: str, settings: Mapping[str, Mapping[str, float]]) -> str:
    """The config's text with these values in `[tool.NAME]`. A value that already stands is left as it is written.

    Raises:
        NoEditError: tomlkit is missing, or a tool's table is not there.
    """
    try:
        import tomlkit
    except ImportError:
        raise NoEditError(MISSING) from None
    for name, values in settings.items():
        text = _with_missing(text, name, values)
    document = tomlkit.parse(text)
    for name, values in settings.items():
        tables: Any = document.get("tool", {})
        if name not in tables:
            raise NoEditError(f"there is no [tool.{name}] to write into")
        table = tables[name]
        for key, value in values.items():
            if key not in table or not _same(table[key], value):
                table[key] = _plain(value)
    return tomlkit.dumps(document)


def needed(text: str, settings: Mapping[str, Mapping[str, float]]) -> dict[str, dict[str, float]]:
    """The settings without those that the config does not have and that are so by default, beside the others.

    A threshold counts as its default where it is that, rounded as a proposal is.
    """
    tables = tomllib.loads(text).get("tool", {})
    found = {}
    for name, values in settings.items():
        table = tables.get(name, {})
        written = table if isinstance(table, dict) else {}
        found[name] = {key: value for key, value in values.items() if key in written or not _is_default(key, values)}
    return found


def _is_default(key: str, values: Mapping[str, float]) -> bool:
    for measure in UNITS:
        start = values.get(threshold_key("start", measure))
        if key == threshold_key("stop", measure) and start is not None:
            return rounded(STOP_SHARE * start, measure) == values[key]
    return bool(ToolTable.model_fields[key].default == values[key])


def _with_missing(text: str, name: str, values: Mapping[str, float]) -> str:
    """New keys in lines of their own below the start threshold, or the sensor of a tool that has none.

    tomlkit would put them at the end of the table, behind the comment that belongs to the next one.
    """
    lines = text.splitlines(keepends=True)
    table = tomllib.loads(text).get("tool", {}).get(name, {})
    below = next((key for key in _BELOW if isinstance(table, dict) and key in table), "")
    at = scan(text).of(("tool", name, below), at_key=True).line
    found = re.match(rf"(\s*){below}\s*=", lines[at - 1]) if below and 0 < at <= len(lines) else None
    if found is None:
        return text  # an inline table, a sensor in a table of its own, or none: tomlkit's business
    end = "\r\n" if lines[at - 1].endswith("\r\n") else "\n"
    new = [f"{found[1]}{key} = {_plain(value)}{end}" for key, value in values.items() if key not in table]
    return "".join([*lines[: at - 1], lines[at - 1].rstrip("\r\n") + end, *new, *lines[at:]]) if new else text


def _plain(value: float) -> float:
    return int(value) if value == int(value) else value


def _same(written: object, value: float) -> bool:
    from gatehand.times import seconds

    try:
        found = seconds(written) if isinstance(written, str) else float(written)  # type: ignore[arg-type]
    except (TypeError, ValueError):
        return False
    return abs(found - value) < 1e-9  # noqa: PLR2004 - the same number


def difference(before: str, after: str, path: Path, what: str = "proposed") -> str:
    """A unified diff; empty when nothing would change. `what`: the file is afterwards."""
    lines = difflib.unified_diff(
        before.splitlines(keepends=True), after.splitlines(keepends=True), str(path), f"{path} ({what})"
    )
    return "".join(line if line.endswith("\n") else line + "\n" for line in lines)
