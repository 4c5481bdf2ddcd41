"""The rules as a library: all that one needs is named by the package itself, and its example runs as it is printed."""

import ast
import doctest
from pathlib import Path

import gatehand_rules


def test_the_example_of_the_package_runs() -> None:
    found = doctest.testmod(gatehand_rules)
    assert found.failed == 0
    assert found.attempted >= 4


def test_what_step_takes_and_gives_is_named() -> None:
    assert {"step", "initial", "Shop", "State", "Outcome", "Finding", "events", "commands"} <= set(
        gatehand_rules.__all__
    )
    for part in (
        "Tool",
        "Gate",
        "Collector",
        "StopContact",
        "Circuit",
        "Timing",
        "Alarm",
        "Happened",
        "Rule",
        "Position",
    ):
        assert part in gatehand_rules.__all__


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
