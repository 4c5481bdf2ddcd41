"""The rules as a library: all that one needs is named by the package itself, and its example runs as it is printed."""

import ast
import doctest
from pathlib import Path
from typing import get_args

import gatehand_rules
from gatehand_rules import commands, events


def test_the_example_of_the_package_runs() -> None:
    found = doctest.testmod(gatehand_rules)
    assert found.failed == 0
    assert found.attempted >= 4


def test_every_event_and_every_command_is_named() -> None:
    for kind in (*get_args(events.Event), *get_args(commands.Command)):
        assert getattr(gatehand_rules, kind.__name__) is kind
        assert kind.__name__ in gatehand_rules.__all__


def test_an_index_says_in_its_type_what_it_counts() -> None:
    files = sorted(Path(gatehand_rules.__file__).parent.glob("*.py"))
    told = [
        (path.name, one.lineno, ast.unparse(one.annotation))
        for path in files
        for one in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(one, ast.arg) and one.arg == "at" and one.annotation is not None
    ]
    assert len(told) > 100
    assert [
        each for each in told if each[2].partition(" ")[0] not in {"ToolAt", "GateAt", "CollectorAt", "StopAt"}
    ] == []
