"""Every event that the rules or the daemon can write is told in a sentence, from its facts alone."""

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

import gatehand_rules
from gatehand.journal.line import LogLine, OwnEvent
from gatehand.journal.sentence_table import REASONS, TABLE
from gatehand.journal.sentences import sentence, sentence_of
from gatehand.times import lasting
from gatehand_rules.findings import Finding, Happened, Rule


def test_every_event_has_a_sentence_for_whatever_rule() -> None:
    for_any = {
        event for event, own in TABLE.items() if not isinstance(own, dict) or None in own or set(own) == set(Rule)
    }
    assert for_any == {*Happened, *OwnEvent}
    assert set(TABLE) == for_any


def test_every_rule_has_its_words() -> None:
    assert set(REASONS) == set(Rule)


def _said() -> Iterator[tuple[str, int, list[str], list[str], list[str]]]:
    """Each place in the rules that speaks: file, line, events, rules (all of them when decided elsewhere), facts."""
    for path in sorted(Path(gatehand_rules.__file__).parent.glob("*.py")):
        tree = ast.parse(path.read_text(encoding="utf-8"))
        for function in (node for node in ast.walk(tree) if isinstance(node, ast.FunctionDef)):
            named = {
                node.targets[0].id: node.value
                for node in ast.walk(function)
                if isinstance(node, ast.Assign) and isinstance(node.targets[0], ast.Name)
            }
            for node in ast.walk(function):
                if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute) and node.func.attr in _SAYERS:
                    event, implied = _SAYERS[node.func.attr]
                    args = node.args[1:] if node.func.attr.startswith("say_of") else node.args
                    events = _words(args[0], "Happened") if event is None else [event]
                    whole = [*args[2:], *(key.value for key in node.keywords if key.arg is None)]
                    facts = [key.arg for key in node.keywords if key.arg is not None]
                    facts += [fact for each in whole for fact in _keys(each, named)]
                    yield path.name, node.lineno, events, _words(args[1], "Rule") or list(Rule), [*implied, *facts]


def _keys(node: ast.expr, named: dict[str, ast.expr]) -> list[str]:
    """The facts of a mapping that stands there, or in a name of the function's."""
    found = named.get(node.id) if isinstance(node, ast.Name) else node
    keys = found.keys if isinstance(found, ast.Dict) else []
    return [str(key.value) for key in keys if isinstance(key, ast.Constant)]


_SAYERS: dict[str, tuple[str | None, tuple[str, ...]]] = {
    "say": (None, ()),
    "say_of_tool": (None, ("tool", "collector")),
    "say_of_gate": (None, ("gate", "collector")),
    "say_of_collector": (None, ("collector",)),
    "raise_alarm": ("alarm_raised", ("alarm",)),
    "clear_alarm": ("alarm_cleared", ("alarm",)),
}
"""Whoever leaves a finding: of which event, if always of one, and what it names besides."""


def _words(node: ast.expr, enum: str) -> list[str]:
    return [
        str(getattr({"Happened": Happened, "Rule": Rule}[enum], part.attr))
        for part in ast.walk(node)
        if isinstance(part, ast.Attribute) and isinstance(part.value, ast.Name) and part.value.id == enum
    ]


@pytest.mark.parametrize(("file", "number", "events", "rules", "facts"), list(_said()))
def test_each_thing_that_the_rules_say_reads_whole(
    file: str, number: int, events: list[str], rules: list[str], facts: list[str]
) -> None:
    for event in events:
        for rule in rules:
            line: LogLine = {"event": event, "rule": rule, **dict.fromkeys(facts, 7.5)}
            line |= {"alarm": "tool.band_saw.silent"} if "alarm" in facts else {}
            line |= {key: "band_saw" for key in ("tool", "gate", "collector") if key in facts}
            if event in {Happened.DEVICE_OFFLINE, Happened.DEVICE_ONLINE}:
                line["tool"] = "band_saw"
            said = sentence(line)
            assert "?" not in said, (file, number, said)
            assert "{" not in said
            assert "[" not in said
            assert event not in said, "a sentence, not the event's name"


@pytest.mark.parametrize(
    ("line", "said"),
    [
        (
            {"event": "tool_started", "tool": "band_saw", "rule": "start_threshold", "amps": 6.4, "start_amps": 2.5,
             "start_after": 0.0},
            "band saw started: 6.4 A, at or above its start_amps of 2.5 A",
        ),
        (
            {"event": "tool_started", "tool": "band_saw", "rule": "start_threshold", "amps": 6.4, "start_amps": 2.5,
             "start_after": 0.5},
            "band saw started: 6.4 A, at or above its start_amps of 2.5 A for 0.5 s",
        ),
        (
            {"event": "start_missed", "tool": "band_saw", "rule": "below_start_threshold", "peak": 2.31,
             "start_amps": 2.5, "lasted": 41.2},
            "band saw did not count as running: it drew 2.31 A at most in 41.2 s, below its start_amps of 2.5 A",
        ),
        (
            {"event": "start_refused", "gate": "bench", "collector": "main", "rule": "bin_full"},
            "start refused for gate bench: the bin is full",
        ),
        (
            {"event": "gate_fault", "gate": "router", "wanted": "open", "reported": "shut", "travel": 1.5, "retries": 2,
             "waited": 4.5},
            "gate router did not open in 4.5 s with 2 retries (travel 1.5 s); it reports shut",
        ),
        (
            {"event": "gate_open", "gate": "router", "rule": "report", "took": 2.3, "travel": 1.5, "late_by": 0.8},
            "gate router is open: it reported after 2.3 s, 0.8 s later than its travel of 1.5 s",
        ),
        (
            {"event": "command_vetoed", "rule": "min_open", "gate": "a", "command": "shut", "proven_open": 0,
             "min_open": 1},
            'the command "shut" for gate a was held back: 0 gates would be open, min_open is 1',
        ),
        (
            {"event": "collector_off", "collector": "main", "rule": "no_demand", "coast_down": 8.0},
            "collector switched off, nothing needs it any more; the fan coasts for up to 8 s",
        ),
        (
            {"event": "collector_on", "collector": "north", "rule": "demand", "starts_this_hour": None},
            "collector north switched on",
        ),
        (
            {"event": "alarm_raised", "tool": "router", "alarm": "tool.router.not_fresh", "rule": "hold"},
            "alarm for router, not fresh: the collector is on hold until somebody resets it",
        ),
        (
            {"event": "alarm_cleared", "tool": "router", "alarm": "tool.router.not_fresh", "rule": "stop_threshold"},
            "alarm over for router: not fresh",
        ),
        (
            {"event": "alarm_raised", "alarm": "log", "because": "The event log cannot be written"},
            "alarm log: The event log cannot be written",
        ),
        (
            {"event": "alarm_raised", "alarm": "stop.emergency.active", "stop": "emergency", "rule": "stop_contact"},
            "alarm: stop contact emergency is active",
        ),
        (
            {"event": "log_gap", "lost": 3, "first_lost": 7, "last_lost": 9, "why": "No space left on device"},
            "the log has a gap: 3 lines lost (numbers 7 to 9); No space left on device",
        ),
        (
            {"event": "log_gap", "lost": 1, "first_lost": 7, "last_lost": 7, "why": "No space left on device"},
            "the log has a gap: 1 line lost (number 7); No space left on device",
        ),
    ],
)  # fmt: skip
def test_sentences_as_a_woodworker_reads_them(line: LogLine, said: str) -> None:
    assert sentence(line) == said


def test_a_finding_reads_as_its_line_does() -> None:
    finding = Finding(event=Happened.BIN_FULL, rule=Rule.BIN_FULL, collector="main", facts=(("then", "refuse"),))
    assert sentence_of(finding) == "collector: the bin is full"


def test_an_event_from_a_later_version_is_shown_with_its_rule_and_numbers() -> None:
    line: LogLine = {"event": "blade_dulled", "tool": "band_saw", "rule": "wear", "amps": 9.125, "odd": None}
    assert sentence(line) == "band saw: blade dulled, wear (amps 9.125 A, odd unknown)"
    assert sentence({"event": "tool_started", "ts": "x"}) == "? started"
    assert sentence({"event": "login_refused", "text": "the broker refuses us"}) == "the broker refuses us"
    assert sentence({}) == "an event without a name"


@pytest.mark.parametrize(
    ("seconds", "said"),
    [
        (0, "0 s"),
        (0.25, "0.25 s"),
        (1.8421, "1.84 s"),
        (60, "1 min"),
        (125.2, "2 min 5 s"),
        (28_800, "8 h"),
        (-3600, "-1 h"),
    ],
)
def test_lengths_of_time_are_said_as_people_say_them(seconds: float, said: str) -> None:
    assert lasting(seconds) == said
