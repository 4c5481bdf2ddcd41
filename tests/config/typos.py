"""Seeded slips of one letter in a config that uses every table: in keys, in kinds and names of tables, in names used.

Each is put in, left out, swapped with its neighbour or replaced, as a hand does it. A slip that makes another right
word is none, and the name of a table that nobody names can be any.
"""

import random
import re
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from gatehand.config.json_schema import json_schema
from gatehand.config.positions import scan
from gatehand_air.fittings import ALIASES, KINDS

EXAMPLE = Path(__file__).parents[2] / "config.example.toml"
LETTERS = "abcdefghijklmnopqrstuvwxyz_"
_OPTION = re.compile(r"^# (?=[a-z_]+ = .+$)", re.MULTILINE)
_HEAD = re.compile(r"^\[(?P<kind>[a-z_]+)(?:\.(?P<name>[a-z_]+))?", re.MULTILINE)
_NAMING = {"gates": "gate", "assist": "gate", "gate": "gate", "collector": "collector", "collectors": "collector"}
_NAMING |= {"members": "tool", "tool": "tool", "into": "duct"}
"""Keys that name another table, and of which kind."""

MORE = """
[tool.edge_sander]                       # a table for each signal, dotted keys, both kinds of quotes
gates = ['planing']
start_amps = 3.5
run_on = "12 s"
[tool.edge_sander.current]
topic = "shop/edge_sander/amps"
pointer = "/amps"
[tool.edge_sander.online]
topic = "shop/edge_sander/online"
active = "1"
clear = "0"

[gate.bench_1]                           # names that differ in one letter from each other
command = { topic = "shop/gate/bench_1/set", open = "open", shut = "shut" }
[gate.bench_2]
command = { topic = "shop/gate/bench_2/set", open = "open", shut = "shut" }
[tool.bench_1]
gates = ["bench_1"]
current = { topic = "shop/bench_1/amps" }
start_amps = 2
[tool.bench_2]
gates = ["bench_2"]
current = { topic = "shop/bench_2/amps" }
start_amps = 2

[upkeep.belt]
every_hours = 200
collector = 'main'

[circuit.bench]
amps = 40
members = ["jointer", "drum_sander", "router", "edge_sander", "bench_1", "bench_2"]
"""


def rich_config() -> str:
    """The example with each of its options in force, and tables written in the other ways."""
    text = _OPTION.sub("", EXAMPLE.read_text(encoding="utf-8")) + MORE
    for name in ("jointer", "drum_sander", "router", "edge_sander", "bench_1", "bench_2"):
        text = text.replace(f"[tool.{name}]", f"[tool.{name}]\nfull_load_amps = 4")
    return text


@dataclass(frozen=True)
class Typo:
    """One slip: where, what was right, what is written."""

    what: str
    line: int
    right: str
    wrong: str
    text: str
    """The whole config with it."""


@dataclass(frozen=True)
class _Word:
    """A word that can be misspelt. `others`: what would be right in its place too."""

    what: str
    start: int
    text: str
    others: frozenset[str]


def typos(count: int, seed: int) -> Iterator[Typo]:
    """So many slips, drawn alike from every word."""
    text, draw = rich_config(), random.Random(seed)
    words = list(_words(text))
    while count:
        word = draw.choice(words)
        wrong = _slip(word.text, draw)
        if wrong and wrong != word.text and wrong not in word.others:
            line = text.count("\n", 0, word.start) + 1
            end = word.start + len(word.text)
            yield Typo(word.what, line, word.text, wrong, text[: word.start] + wrong + text[end:])
            count -= 1


def _slip(word: str, draw: random.Random) -> str:
    at = draw.randrange(len(word))
    match draw.choice(("put in", "left out", "swapped", "replaced")):
        case "put in":
            return word[:at] + draw.choice(LETTERS) + word[at:]
        case "left out":
            return word[:at] + word[at + 1 :]
        case "swapped":
            return word[:at] + word[at : at + 2][::-1] + word[at + 2 :]
        case _:
            return word[:at] + draw.choice(LETTERS) + word[at + 1 :]


def _words(text: str) -> Iterator[_Word]:
    tree = tomllib.loads(text)
    names = {kind: frozenset(tree[kind]) for kind in ("gate", "tool", "collector", "duct")}
    used = {kind: frozenset(name for its, _, name in _used(text) if its == kind) for kind in names}
    kinds = frozenset(tree)
    for head in _HEAD.finditer(text):
        yield _Word("kind of table", head.start("kind"), head["kind"], kinds)
        if head["name"] and head["name"] in used.get(head["kind"], ()):
            yield _Word("name of table", head.start("name"), head["name"], names[head["kind"]])
        elif head["kind"] == "fan":
            yield _Word("name of fan", head.start("name"), head["name"], frozenset())
    keys = frozenset(_every_key())
    for path, span in scan(text).spans.items():
        if isinstance(path[-1], str) and span.value != span.key:
            yield _Word("key", span.key, path[-1], keys)
    for kind, start, name in _used(text):
        others = names[kind] | ({*KINDS, *ALIASES} if kind == "tool" else set())
        yield _Word("name used", start, name, frozenset(others))


def _used(text: str) -> Iterator[tuple[str, int, str]]:
    """Kind, place and text of each name that refers to a table."""
    for path, span in scan(text).spans.items():
        key = next(part for part in reversed(path) if isinstance(part, str))
        quoted = text[span.value : span.end]
        if key in _NAMING and quoted[:1] in {'"', "'"}:
            prefix = "collector." if quoted[1:].startswith("collector.") else ""
            kind = "collector" if prefix else _NAMING[key]
            yield kind, span.value + 1 + len(prefix), quoted[1 + len(prefix) : -1]


def _every_key() -> Iterator[str]:
    schema: dict[str, Any] = json_schema()
    yield from schema["properties"]
    for table in schema["$defs"].values():
        yield from table.get("properties", {})
