"""The example cannot drift from the schema: it names every key, and what it shows as a default is one."""

import re
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from gatehand.config import load, load_text
from gatehand.config.json_schema import json_schema
from gatehand.times import PATTERN, seconds

EXAMPLE = Path(__file__).parents[2] / "config.example.toml"
OPTION = re.compile(r"^# (?P<key>[a-z_]+) = .+$", re.MULTILINE)
INSTEAD = re.compile(r"^#   (?P<key>[a-z_]+) = .+$", re.MULTILINE)
"""What stands instead of another key."""
DUCT_TABLES = {"airflow", "fan", "duct"}
Schema = dict[str, Any]


def with_all_options() -> str:
    """The example with each commented option in force."""
    return OPTION.sub(lambda match: match[0].removeprefix("# "), EXAMPLE.read_text(encoding="utf-8"))


def with_all_keys() -> str:
    """The same with what stands instead of another, which no shop can have at once."""
    return INSTEAD.sub(lambda match: match[0].removeprefix("#   "), with_all_options())


def resolved(schema: Schema, whole: Schema) -> Schema:
    name = schema.get("$ref", "").removeprefix("#/$defs/")
    return whole["$defs"][name] if name else schema


def keys(schema: Schema, whole: Schema, path: tuple[str, ...] = ()) -> Iterator[tuple[tuple[str, ...], Schema]]:
    """Every key that the schema knows, with `*` for a name."""
    table = resolved(schema, whole)
    for key, entry in table.get("properties", {}).items():
        yield (*path, key), entry
        yield from keys(entry, whole, (*path, key))
    for inside in table.get("patternProperties", {}).values():
        yield from keys(inside, whole, (*path, "*"))


def shown(tree: dict[str, Any], path: tuple[str, ...]) -> list[Any]:
    """Every value that the example shows for a key."""
    found: list[Any] = [tree]
    for part in path:
        found = [
            value for each in found if isinstance(each, dict) for name, value in each.items() if part in {"*", name}
        ]
    return found


WHOLE = json_schema()
KEYS = [(path, entry) for path, entry in keys(WHOLE, WHOLE)]


def test_the_example_passes_without_a_word(tmp_path: Path) -> None:
    loaded = load_text(EXAMPLE.read_text(encoding="utf-8"), tmp_path / "config.toml")
    assert [str(problem) for problem in loaded.problems] == []
    assert loaded.shop is not None
    assert [tool.name for tool in loaded.shop.tools] == ["band_saw", "jointer", "drum_sander", "router"]
    assert loaded.shop.tools[3].run_on == 0


def test_with_every_option_in_force_only_its_files_are_missing(tmp_path: Path) -> None:
    loaded = load_text(with_all_options(), tmp_path / "config.toml")
    assert {problem.where for problem in loaded.errors} == {
        "broker.password_file",
        "broker.tls.ca_file",
        "broker.tls.cert_file",
        "broker.tls.key_file",
    }


@pytest.mark.parametrize("path", [path for path, _ in KEYS if path[0] not in DUCT_TABLES], ids=".".join)
def test_the_example_names_every_key(path: tuple[str, ...]) -> None:
    # A signal's own keys stand once for each kind of signal, not once for each place that takes one.
    if path[-1] in {"pointer", "scale", "at", "max_age"} or "poll" in path:
        assert f"{path[-1]} = " in with_all_options()
    else:
        assert shown(tomllib.loads(with_all_keys()), path), f"{'.'.join(path)} is not in config.example.toml"


@pytest.mark.parametrize("sensor", ["power", "running"])
def test_what_stands_instead_of_another_passes_without_it(sensor: str, tmp_path: Path) -> None:
    text = EXAMPLE.read_text(encoding="utf-8")
    (here,) = (match[0] for match in INSTEAD.finditer(text) if match["key"] == sensor)
    current = next(line for line in text.splitlines() if line.startswith("current = "))
    loaded = load_text(text.replace(here, here.removeprefix("#   ")).replace(current, ""), tmp_path / "config.toml")
    assert [str(problem) for problem in loaded.problems] == []
    assert loaded.config is not None
    assert loaded.config.collector["main"].sensor_key == sensor
    both = load_text(text.replace(here, here.removeprefix("#   ")), tmp_path / "config.toml")
    assert [problem.message for problem in both.problems] == [f"collector.main has both current and {sensor}; keep one"]


def test_a_threshold_that_stands_instead_of_another_shows_its_default() -> None:
    (shown_here,) = re.findall(r"^#   running_watts = (\d+) ", EXAMPLE.read_text(encoding="utf-8"), re.MULTILINE)
    assert float(shown_here) == dict(KEYS)["collector", "*", "running_watts"]["default"]


def test_a_commented_option_shows_its_default() -> None:
    """Those of optional keys say `none` instead."""
    text = EXAMPLE.read_text(encoding="utf-8")
    table, seen = "", 0
    for line in text.splitlines():
        if head := re.match(r"\[([a-z_]+)(\.[a-z_]+)?\]", line):
            table = head[1] + (".*" if head[2] else "")
        option = OPTION.match(line)
        if not option:
            continue
        path = (*table.split("."), option["key"])
        entry = next(entry for known, entry in KEYS if known == path)
        value = tomllib.loads(line.removeprefix("# "))[option["key"]]
        if entry.get("default", []) != []:
            wanted = entry["default"]
            lasts = any(kind.get("pattern") == PATTERN for kind in entry.get("anyOf", ()))
            assert (seconds(value) if lasts else value) == wanted, line
        elif path != ("gate", "*", "on_hand_open"):
            assert "# none; " in line, line
        seen += 1
    assert seen > 30


def test_each_key_of_the_example_is_explained_on_its_line() -> None:
    first: set[str] = set()
    kind = ""
    for line in EXAMPLE.read_text(encoding="utf-8").splitlines():
        if head := re.match(r"\[([a-z_]+)", line):
            kind = head[1]
        elif (pair := re.match(r"(?:# )?([a-z_]+) = ", line)) and f"{kind}.{pair[1]}" not in first:
            first.add(f"{kind}.{pair[1]}")
            assert line.count("#") > line.startswith("# "), line


def test_the_schema_accepts_the_example() -> None:
    validator = jsonschema.Draft202012Validator(WHOLE)
    validator.check_schema(WHOLE)
    assert [error.message for error in validator.iter_errors(tomllib.loads(EXAMPLE.read_text(encoding="utf-8")))] == []
    assert [error.message for error in validator.iter_errors(tomllib.loads(with_all_options()))] == []


DUCTS = """
[airflow]
units = "us"
[fan.main]
curve = [[0, 11.0], [400, 10.4], [800, 8.1], [1200, 3.9]]
measured = "fan_static"
speed = { curve = 3450, run = 2850 }
filter_loss = { clean = 1.0, dirty = 3.0, at = 800 }
[fan.larger]
curve = [[0, 12.0], [1400, 5.0]]
measured = { inlet_pipe = 8 }
[duct.main]
diameter = 6
length = 14
fittings = ["elbow_90", "elbow_45", { k = 0.3 }]
[duct.band_saw_drop]
into = "main"
diameter = 4
length = 6
material = "flex"
gate = "band_saw"
hood = { entry = "plain", flow = 350, tool = "band_saw", spin_down = "3 s", dust = "shavings", machine_loss = 0 }
[duct.sander_hood]
into = "main"
diameter = 4
length = 2
fittings = [{ reducer = 5, angle = 30 }, "wye_45"]
hood = { flow = 350, dust = "fine", machine_loss = { loss = 1.8, at = 400 } }
"""


def test_the_schema_knows_the_ducts_and_their_words() -> None:
    validator = jsonschema.Draft202012Validator(WHOLE)
    text = EXAMPLE.read_text(encoding="utf-8").split("\n[airflow]")[0] + DUCTS
    assert [error.message for error in validator.iter_errors(tomllib.loads(text))] == []
    for good, bad in (
        ('"flex"', '"felx"'),
        ('"elbow_90"', '"elbow_91"'),
        ('"plain"', '"plane"'),
        ("length", "lenght"),
        ('"fan_static"', '"fan"'),
        ("inlet_pipe = 8", "inlet_pipe = 0"),
        ("run = 2850", "runs = 2850"),
        ('"shavings"', '"chips"'),
        ("machine_loss = 0", "machine_loss = 1"),
        ("loss = 1.8, ", ""),
    ):
        assert good in text
        assert not validator.is_valid(tomllib.loads(text.replace(good, bad)))


BAD = Path(__file__).parent / "bad"
CAUGHT_BY_SCHEMA = [
    "unknown_key",
    "unknown_table",
    "missing_key",
    "missing_key_in_signal",
    "duration_unknown_unit",
    "duration_negative",
    "duration_boolean",
    "amps_text",
    "amps_zero",
    "scale_zero",
    "port_too_large",
    "relief_text",
    "rest_unknown_word",
    "protocol_number",
    "gates_text",
    "topic_plus",
    "topic_empty",
    "topic_nul",
    "pointer_without_slash",
    "at_without_slash",
    "max_age_zero",
    "poll_topic_plus",
    "poll_without_payload",
    "name_with_blank",
    "payload_is_list",
    "travel_zero",
    "base_with_slash",
    "no_collector",
    "keepalive_fraction",
    "sensor_none",
    "sensors_current_and_power",
    "sensors_current_and_running",
    "watts_beside_current",
    "amps_beside_power",
    "amps_beside_running",
    "start_watts_missing",
    "motor_current_and_power",
    "motor_amps_beside_running",
    "dust_unknown_word",
    "machine_loss_without_flow",
    "measured_unknown_word",
    "measured_as_a_number",
    "speed_without_run",
]


@pytest.mark.parametrize("name", CAUGHT_BY_SCHEMA)
def test_an_editor_marks_what_check_refuses(name: str) -> None:
    tree = tomllib.loads((BAD / f"{name}.toml").read_text(encoding="utf-8"))
    assert not jsonschema.Draft202012Validator(WHOLE).is_valid(tree)
    assert load(BAD / f"{name}.toml").errors


def test_every_key_has_a_description_and_no_title() -> None:
    for path, entry in KEYS:
        assert entry.get("description"), f"{'.'.join(path)} has no description"
        assert "title" not in entry


def test_no_table_takes_unknown_keys() -> None:
    assert WHOLE["additionalProperties"] is False
    for name, table in WHOLE["$defs"].items():
        assert table["additionalProperties"] is False, name
