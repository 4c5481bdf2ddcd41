"""The rules and the ducts stand alone: no clock, network, log or chance, nothing of the daemon or of each other."""

import ast
import json
import subprocess
import sys
from collections.abc import Iterator
from enum import StrEnum
from pathlib import Path
from typing import get_args

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import gatehand_air
import gatehand_rules
from gatehand_rules import Shop, State, initial, readings, step
from gatehand_rules import events as ev
from gatehand_rules import state as states
from gatehand_rules.shop import Collector, Gate, Tool
from gatehand_rules.words import CollectorWord, GateWord, ToolWord

RULES = Path(gatehand_rules.__file__).parent
AIR = Path(gatehand_air.__file__).parent
ROOT = RULES.parent
FILES = sorted((*RULES.rglob("*.py"), *AIR.rglob("*.py")))
BANNED = (
    "aiomqtt",
    "asyncio",
    "datetime",
    "gatehand",
    "logging",
    "os",
    "paho",
    "pathlib",
    "pydantic",
    "random",
    "socket",
    "structlog",
    "subprocess",
    "threading",
    "time",
)
"""What reads a clock, the world or chance, or writes to it; and what is heavy and of no use without a text to read."""

WORLD = tuple(name for name in BANNED if name not in {"os", "time"})
"""Of those, what the interpreter itself has not loaded anyway."""


def _loaded_by(statement: str) -> set[str]:
    """Names of the modules that a fresh interpreter has loaded after the statement."""
    code = f"import sys, json; {statement}; print(json.dumps(sorted(sys.modules)))"
    done = subprocess.run(  # noqa: S603 - our own interpreter, our own words
        [sys.executable, "-c", code],
        check=True,
        capture_output=True,
        text=True,
        env={"PYTHONPATH": str(ROOT)},
    )
    return set(json.loads(done.stdout))


def test_the_rules_load_nothing_of_the_world_beyond_what_msgspec_loads() -> None:
    base = _loaded_by("import msgspec.structs; msgspec.defstruct('Described', ['name'])(name='it')")
    everything = "; ".join(f"import {_module(path)}" for path in FILES)
    more = _loaded_by(everything) - base
    assert {"gatehand_rules.step", "gatehand_air.solve"} <= more
    assert {name.partition(".")[0] for name in more} & set(WORLD) == set()


def _module(path: Path) -> str:
    parts = path.relative_to(ROOT).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def _imports(path: Path) -> Iterator[str]:
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from (name.name for name in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path.name} imports relatively"
            yield node.module or ""


@pytest.mark.parametrize("path", FILES, ids=lambda path: str(path.relative_to(ROOT)))
def test_a_file_of_the_rules_imports_only_values(path: Path) -> None:
    assert {name.partition(".")[0] for name in _imports(path)} & set(BANNED) == set()


def test_numpy_is_imported_late_and_by_the_batch_alone() -> None:
    """The package stays whole without it, and the daemon free of it; for types it may be named anywhere in there."""
    found: dict[str, set[bool]] = {}
    for path in FILES:
        tree = ast.parse(path.read_text(encoding="utf-8"))
        late = [node for node in ast.walk(tree) if isinstance(node, ast.FunctionDef)]
        typed = [node for node in tree.body if isinstance(node, ast.If) and "TYPE_CHECKING" in ast.dump(node.test)]
        within = {inner for node in (*late, *typed) for inner in ast.walk(node)}
        for node in ast.walk(tree):
            names = [one.name for one in node.names] if isinstance(node, ast.Import | ast.ImportFrom) else []
            module = (node.module or "") if isinstance(node, ast.ImportFrom) else ""
            if any(name.partition(".")[0] == "numpy" for name in (*names, module)):
                found.setdefault(path.name, set()).add(node in within)
    assert found.keys() <= {"batch.py", "batch_answer.py", "batch_laws.py", "batch_spread.py"}
    assert {"batch.py", "batch_laws.py"} <= found.keys()
    assert set().union(*found.values()) == {True}
    everything = "; ".join(f"import {_module(path)}" for path in FILES)
    assert "numpy" not in _loaded_by(everything)


@pytest.mark.parametrize(("folder", "other"), [(AIR, "gatehand_rules"), (RULES, "gatehand_air")])
def test_the_ducts_and_the_rules_do_not_know_each_other(folder: Path, other: str) -> None:
    imported = {name.partition(".")[0] for path in folder.rglob("*.py") for name in _imports(path)}
    assert folder.name in imported
    assert other not in imported


@pytest.mark.parametrize("path", FILES, ids=lambda path: str(path.relative_to(ROOT)))
def test_a_file_of_the_rules_opens_and_prints_nothing(path: Path) -> None:
    names = {node.id for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))) if isinstance(node, ast.Name)}
    assert names & {"open", "print", "input", "__import__", "exec", "eval", "globals"} == set()


@pytest.mark.parametrize(
    ("union", "words"), [(states.ToolState, ToolWord), (states.GateMove, GateWord), (states.Phase, CollectorWord)]
)
def test_every_state_has_its_own_word_and_every_word_its_state(union: object, words: type[StrEnum]) -> None:
    assert sorted(state.word for state in get_args(union)) == sorted(words)


SHOP = Shop(
    tools=(
        Tool(name="saw", collector="main", gates=("saw",), start_at=3, stop_at=2, run_on=4, silent_after=20),
        Tool(name="jointer", collector="main", gates=("jointer",), start_at=2.5, stop_at=2.5, start_after=1),
        Tool(name="vise", collector="main", gates=("saw",), start_at=2, stop_at=1, stop_after=2, silent_after=0),
    ),
    gates=(Gate(name="saw", collector="main"), Gate(name="jointer", collector="main", reports=True)),
    collectors=(Collector(name="main", refresh=7),),
)
DRAWN = st.sampled_from((-1.0, 0.0, 0.9, 1.0, 1.24, 1.25, 1.5, 1.999, 2.0, 2.5, 2.999, 3.0, 9.0))
STORY = st.lists(
    st.tuples(
        st.sampled_from(("saw", "jointer", "vise")),
        DRAWN,
        st.sampled_from((0.0, 0.1, 0.5, 1.0, 4.0, 25.0)),
        st.sampled_from((None, None, None, None, ev.BrokerLost(0.0), ev.BrokerConnected(), ev.ButtonPressed("saw"))),
    ),
    max_size=40,
)


def _told(readings: list[tuple[str, float, float, ev.Event | None]]) -> list[tuple[State, object, object]]:
    now = 0.0
    state = step(SHOP, initial(SHOP, now), ev.BrokerConnected(), now).state
    state = step(SHOP, state, ev.Tick(), 0.5).state
    told: list[tuple[State, object, object]] = []
    now = 0.5
    for tool, amps, later, other in readings:
        now = round(now + later, 3)
        events: tuple[ev.Event, ...] = (ev.Reading(tool, amps),)
        for event in events if other is None else (other, *events):
            while state.wake_at is not None and state.wake_at < now:
                state = step(SHOP, state, ev.Tick(), state.wake_at).state
            outcome = step(SHOP, state, event, now)
            state = outcome.state
            told.append((state, outcome.commands, outcome.findings))
    return told


@settings(max_examples=150, deadline=None, derandomize=True)
@given(STORY)
def test_the_short_way_for_a_plain_reading_says_what_the_long_way_says(
    story: list[tuple[str, float, float, ev.Event | None]],
) -> None:
    short = _told(story)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(readings, "quick", lambda *_: None)
        long = _told(story)
    for (quick, quick_commands, quick_findings), (slow, commands, findings) in zip(short, long, strict=True):
        # `wake_at` of the short way may be early (its deadline was that of the reading before), never late.
        assert _but_wake(quick) == _but_wake(slow)
        assert (quick_commands, quick_findings) == (commands, findings)
        if slow.wake_at is not None:
            assert quick.wake_at is not None
            assert quick.wake_at <= slow.wake_at


def _but_wake(state: State) -> dict[str, object]:
    return {name: getattr(state, name) for name in State.__struct_fields__ if name != "wake_at"}


def test_the_short_way_is_taken() -> None:
    """So that the comparison above compares something."""
    state = step(SHOP, initial(SHOP, 0.0), ev.Reading("saw", 0.0), 0.0).state
    assert readings.quick(SHOP.tools[0], state.tools[0], 0.2, 1.0) == states.ToolIdle(0.2, 1.0)
