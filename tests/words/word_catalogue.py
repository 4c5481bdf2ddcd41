"""Every sentence that a user can meet, rendered with none, one and two of everything, to be read as one text.

Tables of sentences are filled with sample facts; functions that make sentences are called; what is left is shown as it
stands in the source. Nothing is judged here: `wording` does.
"""

import os
import re
from collections.abc import Callable, Iterable, Iterator, Mapping
from functools import cache
from importlib import import_module
from itertools import product
from pathlib import Path
from pkgutil import iter_modules
from typing import Final
from unittest.mock import patch

from source_literals import literals

import gatehand
import gatehand.why
import gatehand_air
from gatehand.cli import COMMANDS, command_parser, top_parser
from gatehand.config import load
from gatehand.config.codes import CODES
from gatehand.config.json_schema import json_schema
from gatehand.config.signals import Suction
from gatehand.journal.sentence_table import REASONS, TABLE, Templates
from gatehand.journal.sentences import spoken_alarm, told
from gatehand.mqtt.payload import Rejected
from gatehand.shell import alarm_words, own_alarms
from gatehand.shell.alarms import ShownAlarm
from gatehand.shell.suction_watch import By, Expected, Way
from gatehand.why import verdicts
from gatehand_rules.findings import WHATS, Alarm, Fact, Rule
from gatehand_rules.words import Measure

DAEMON: Final = Path(gatehand.__file__).parent
TESTS: Final = Path(__file__).parents[1]
COUNTS: Final = (0, 1, 2)
_FIELD: Final = re.compile(r"\{(\w+)(!?)(?::([\w ]+))?\}")
_OPTIONAL: Final = re.compile(r"\[([^\[\]]*)\]")

TEXTS: Final[Mapping[str, tuple[str, ...]]] = {
    # of each fact that is text: what it says with none, one and two of everything; the last counts on
    "tool": ("band_saw",),
    "gate": ("planing",),
    "collector": ("main", "north"),
    "stop": ("emergency",),
    "alarm": ("gate.planing.fault", "collector.main.held"),
    "name": ("band saw",),
    "id": ("band_saw",),
    "table": ("[tool.band_saw]",),
    "sensor": ("current",),
    "of_contact": ("router",),
    "whom": ("the collector", "collector north"),
    "gates": ("band_saw", "band_saw", "band_saw, planing"),
    "each_gate": ("band_saw", "band_saw", "band_saw planing"),
    "taken": ("band_saw", "band_saw", "band_saw, planing"),
    "active": ("emergency", "emergency", "emergency, spark"),
    "instead_of": ("band_saw",),
    "faulty": ("planing",),
    "opened": ("planing",),
    "to": ("open", "shut"),
    "wanted": ("open", "shut"),
    "told": ("on", "off"),
    "reported": ("shut", "open", "between"),
    "command": ("shut", "open", "on"),
    "says": ("OPENED", "ajar"),
    "said": ("OPENED",),
    "shown": ("off",),
    "answered": ("it did not answer: its switch says off",),
    "heard": ("none at all",),
    "beside": ('{"volts": 230}',),
    "topic": ("shop/band_saw/amps",),
    "key": ("current",),
    "path": ("config.toml",),
    "changed": ("tool.band_saw", "tool.band_saw", "tool.band_saw, gate.planing"),
    "version": ("0.1.0",),
    "by": ("hands", "a phone"),
    "because": ("filter change",),
    "confirmed_by": ("a second reading came", "its contact had said so for 3 s"),
    "was": ("idle", "running"),
    "why": ("filter change", "released early"),
    "what": ("a press", "a reset"),
    "text": ("ValueError: 7",),
    "found": ("OPENED",),
    "begun": ("14:32:05",),
    "ended": ("14:32:40",),
    "at": ("14:32:10",),
    "again": ("14:40:00",),
    "when": ("14:31:50",),
    "on": ("14:32:15",),
    "since": ("14:20:00",),
    "stopped": ("14:33:20",),
    "wanted_by": ("the jointer",),
    "at_latest": ("at the latest",),
    "commanded": ("14:32:06",),
    "until": ("until 14:40:00 (7 min 50 s)",),
    "last": ("switched off, nothing needs it any more",),
    "moved": ("14:32:05 gate planing told to shut",),
    "asked": ("nothing asked for it since", "the last that asked for it: 14:31:00 start refused: the bin is full"),
    "reset": ("it was reset at 14:40:00",),
    "veto": ("the command shut was held back",),
    "reasons": ("nothing cut",),
    "more": ("2",),
    "rule": ("demand",),
    "had_begun": ("was running",),
    "heard_again": ("it was heard again at 14:40:00",),
    "after": ("8 s",),
    "unheard": ("shop/band_saw/watts",),
    "opens": ("planing",),
    "gate_table": ("[gate.planing]",),
    "back": ("14:40:00",),
    "adopted": ("14:10:00",),
    "kept_for": ("its start limit (6 of 6 starts in the last hour)",),
    "air_until": ("the hold at 14:32:20 (filter change)",),
    "off": ("14:32:20",),
    "fell": ("14:32:20",),
    "word": ("on",),
    "started": ("2026-03-05 14:10:00",),
}
_WHY: Final[Mapping[str, str]] = {
    "reading_rejected": "found text that is not a number, want a number such as 4.2",
    "broker_lost": "the connection is gone",
    "stops_lost": "the connection is gone",
    "collector_held": "emergency",
    "log_gap": "No space left on device",
    "reset_refused": "released too early",
    "hold_reset": "filter change",
    "collector_off": "filter change",
}
"""What `why` is in the lines of these events, where it is not what `TEXTS` has."""
_ONE_AT_LEAST: Final = frozenset(
    {
        # by the checks of the config, or else the line would not have come
        *("travel", "silent_after", "run_limit", "hand_limit", "quiet", "shortest", "longest", "silent_for"),
        *("stalled", "stood_for", "unheard_for", "quiet_for", "coast_down", "start_after", "run_on", "for_seconds"),
        *("times", "lost", "count", "max_open", "min_open", "starts_per_hour", "start_amps", "stop_amps", "late"),
        *("ran_for", "above_for", "lasted", "since_last", "held_for", "starts_this_hour", "retries", "tries", "more"),
        *("by_seconds", "gate_fault.waited", ".waited", "coasts_for"),
    }
)
_BY_FACT: Final[Mapping[str, str]] = {
    # a field of a template that is made from a fact of another name
    "the_gates": "gates",
    "gates_are": "gates",
    "gates_were": "gates",
    "gates_them": "gates",
    "few_gates": "proven_open",
    "few_are": "proven_open",
    "contact": "running",
    "reading": "amps",
    "last_reading": "last_amps",
    "start_threshold": "start_amps",
    "stop_threshold": "stop_amps",
    "subject": "tool",
}
_FAN: Final[tuple[Mapping[str, Fact], ...]] = (
    # what watches a fan has said: nothing, that it has tripped, that its relay is welded, something not understood
    {},
    {"reported_on": True, "reported_ago": 0.5, "drawing": False, "motor_amps": 0.0, "motor_ago": 12.0},
    {"reported_on": True, "reported_ago": 0.5, "drawing": True, "motor_amps": 9.5, "motor_ago": 0.5, "told_ago": 5.0},
    {"offline": True, "offline_for": 1200.0, "reported_on": False, "reported_ago": 60.0},
)
_COMPOSED: Final[Mapping[str, Mapping[str, Fact]]] = {
    # fields of a template that are made from several facts
    "witnesses": _FAN[1],
    "not_turning": {**_FAN[1], "told": "on"},
    "just_heard": {"reported_on": False, "reported_ago": 0.0, "told_ago": 2.0},
    "seen_to_run": {"reported_on": True, "reported_ago": 0.0, "told_ago": 2.0, "drawing": False, "motor_ago": 0.0},
    "look_at": _FAN[1],
    "config_in_short": {"alarm": "daemon.main.config", "because": "The changed config was not taken, the last one is"},
    "offline": {"offline": True, "offline_for": 1200.0},
    "never_heard": {"never_heard": True},
    "on_hold": {"why": "filter change"},
    "nth": {"tries": 1},
    "lost_numbers": {"first_lost": 7, "last_lost": 8},
}


def sample(key: str, count: int, event: str = "") -> Fact:
    """A fact of that name where there are so many of everything."""
    if key == "why" and event in _WHY:
        return _WHY[event]
    if event == "refusals_counted" and key in {"because", "more"}:
        return max(count, 1) if key == "more" else "start refused: the bin is full"
    if (texts := TEXTS.get(key)) is not None:
        return texts[min(count, len(texts) - 1)]
    return max(count, 1) if {key, f"{event}.{key}"} & _ONE_AT_LEAST else count


def rendered(template: str, event: str = "", rule: str = "") -> Iterator[str]:
    """The template in its shortest form, then whole, with none, one and two of everything; each sentence once."""
    shortest = _OPTIONAL.sub("", template)
    whole = [template]
    if "{contact}" in template and "{reading}" in template:
        whole = [template.replace("[: {contact}]", ""), re.sub(r"\[[^\[\]]*\{reading\}[^\[\]]*\]", "", template)]
    said: dict[str, None] = {}
    for each, count in product((shortest, *whole), COUNTS):
        facts = {
            _BY_FACT.get(key, key): sample(_BY_FACT.get(key, key), count, event) for key, _, _ in _FIELD.findall(each)
        }
        facts |= {"start_amps": 1.0} if "peak" in facts else {}
        for key in _COMPOSED.keys() & facts.keys():
            facts |= _COMPOSED[key]
        said[told(each, {**facts, "rule": rule})] = None
    yield from said


def _several(templates: Templates) -> tuple[str, ...]:
    return (templates,) if isinstance(templates, str) else templates


def the_log() -> Iterator[str]:
    """Each event, by each rule that has words of its own, and by any other."""
    for event, own in TABLE.items():
        yield f"{event}"
        by_rule = own if isinstance(own, dict) else {None: own}
        for rule, templates in by_rule.items():
            if isinstance(own, dict):
                yield f"  by {rule or 'any other rule'}"
            for template in _several(templates):
                yield from (f"    {one}" for one in rendered(template, str(event), rule or Rule.REPORT))


def reasons() -> Iterator[str]:
    """Each rule in a few words, as it follows a comma."""
    for rule, templates in REASONS.items():
        for template in _several(templates):
            yield from (f"  {rule}: {one}" for one in rendered(template))


def alarms() -> Iterator[str]:
    """Each alarm of the rules and of the daemon, by whatever raises it."""
    source = DAEMON / "shell" / "alarm_words.py"
    named = re.findall(r"\bRule\.([A-Z_]+)", source.read_text(encoding="utf-8"))
    rules = (
        *dict.fromkeys(Rule[each] for each in named),
        Rule.REPORT,
    )  # of which each has words, and one that has none
    fields = {key for one in literals(source) for key in re.findall(r"\{(\w+)", one.text)}
    for kind, whats in WHATS.items():
        for what in whats:
            alarm = Alarm(
                kind, {"tool": "band_saw", "gate": "planing", "collector": "main"}.get(kind, "emergency"), what
            )
            yield f"{kind}, {spoken_alarm(what)}"
            many = _facts_of_an_alarm(fields, kind)
            yield from _said_once(alarm_words.words(alarm, rule, facts) for rule, facts in product(rules, many))
    for name, make in vars(own_alarms).items():
        if (
            callable(make)
            and getattr(make, "__annotations__", {}).get("return") is ShownAlarm
            and "alarm" not in make.__annotations__
        ):
            yield f"the daemon's own, {name.replace('_', ' ')}"
            made = (make(**dict(zip(_parameters(make), given, strict=True))) for given in _arguments(make))
            yield from _said_once((one.because, one.next) for one in made)


def _said_once(said: Iterable[tuple[str, str]]) -> Iterator[str]:
    for because, then in dict.fromkeys(said):
        yield f"    {because}"
        yield f"      > {then}"


_OF_A_CASE: Final = ("says", "said", "beside", "never_heard", "topic")
"""Facts of an alarm that choose its sentence by being there."""


def _facts_of_an_alarm(fields: set[str], kind: str) -> Iterator[dict[str, Fact]]:
    """Few, some and all of the facts that choose a sentence, with none, one and two of everything."""
    fan = {"collector": _FAN, "gate": (_FAN[0], _FAN[-1])}.get(kind, _FAN[:1])
    for count, told_to, then, watched in product(COUNTS, ("on", "off"), ("refuse", "warn"), fan):
        every = {_BY_FACT.get(key, key): sample(_BY_FACT.get(key, key), count) for key in fields} | {
            "told": told_to,
            "then": then,
            Measure.AMPS: float(count),
            **watched,
        }
        every["never_heard"] = True
        cases: tuple[tuple[str, ...], ...] = (
            (),
            ("topic",),
            ("topic", "never_heard"),
            ("topic", "says"),
            ("topic", "said"),
            ("topic", "beside"),
        )
        for chosen in (("says",),) if kind == "stop" else cases:
            yield {key: value for key, value in every.items() if key not in _OF_A_CASE or key in chosen}


def _parameters(make: Callable[..., ShownAlarm]) -> list[str]:
    return [name for name in make.__annotations__ if name != "return"]


def _arguments(make: Callable[..., ShownAlarm]) -> Iterator[tuple[object, ...]]:
    """None, one and two of everything, for each kind of device where it takes one."""
    kinds = ("stop", "tool", "gate", "collector") if "kind" in _parameters(make) else ("",)
    for kind, count in product(kinds, COUNTS):
        names = ("north", "south")[:count]
        given: Mapping[str, object] = {
            "kind": kind,
            "name": "band_saw",
            "topic": "shop/band_saw/amps",
            "key": "current",
            "bad": Rejected("found text that is not a number, want a number such as 4.2", "OPENED"),
            "problems": ["config.toml:7:1: error: there is no gate", "b", "c", "d", "e"][: 2 * count + 1],
            "why": "No space left on device",
            "held": names,
            "text": "ValueError: 7",
            "topics": tuple(f"shop/{each}/amps" for each in names or ("main",)),
            "way": (Way.HIGH, Way.LOW)[count % 2],
            "gates": ("no gate open", "band saw open", "band saw and sweep open")[count],
            "table": Suction(topic="shop/inlet", unit=("Pa", "in.w.g.")[count % 2]),
            "pascals": 1000.0 * count,
            "expected": Expected(
                1240.0, 1860.0, 2480.0, By.DUCTS, ("", "2026-05-01T10:00Z")[count > 0] or None, count != 1
            ),
            "seconds": 60.0,
        }
        yield tuple(given[name] for name in _parameters(make))


def why() -> Iterator[str]:
    """Each case of `why`, and what it says to do."""
    for case in _cases():
        yield f"{case.case}"
        for template in _several(case.sentence):
            yield from (f"    {one}" for one in rendered(template))
        advice = tuple(each.words for each in getattr(case, "advice", ()))
        for template in (*_several(case.next_step), *advice):
            yield from (f"      > {one}" for one in rendered(template) if one)


def _cases() -> Iterator[verdicts.Words]:
    """Those of every module of the package, each once."""
    found = {}
    for each in iter_modules(gatehand.why.__path__, "gatehand.why."):
        for one in vars(import_module(each.name)).values():
            known = one.values() if isinstance(one, Mapping) else (one,)
            found.update({id(words): words for words in known if isinstance(words, verdicts.Words)})
    return iter(found.values())


def codes() -> Iterator[str]:
    """What `check --explain` tells of each mistake."""
    for code in CODES.values():
        yield f"{code.name} ({code.level})"
        yield f"    {code.why}"


def mistakes() -> Iterator[str]:
    """What `check` says of each config in tests/config/bad, and the file that has the mistake."""
    folder = TESTS / "config" / "bad"
    for path in sorted(folder.glob("*.toml")):
        for problem in load(path).problems:
            yield f"  {path.stem}: {problem.message}".replace(str(folder), "FOLDER")


def keys() -> Iterator[str]:
    """What `schema`, and with it an editor, says of each key of the config."""
    yield from dict.fromkeys(f"  {each}" for each in _descriptions(json_schema()))


def _descriptions(found: object) -> Iterator[str]:
    if isinstance(found, dict):
        if isinstance(text := found.get("description"), str):
            yield " ".join(text.split())
        yield from (text for each in found.values() for text in _descriptions(each))
    elif isinstance(found, list):
        yield from (text for each in found for text in _descriptions(each))


def help_texts() -> Iterator[str]:
    """Every command's help, as a terminal of 80 columns shows it."""
    with patch.dict(os.environ, COLUMNS="80"):
        yield from top_parser().format_help().splitlines()
        for name in COMMANDS:
            yield ""
            yield from command_parser(name)[1].format_help().splitlines()


_RENDERED: Final = (
    "journal/sentence_table.py",
    "shell/alarm_words.py",
    "shell/own_alarms.py",
    "why/verdict_table.py",
    "config/codes.py",
    "gatehand/cli.py",
)
"""Files whose sentences are shown above as they are read."""
_SCRIPTS: Final = ("completion_scripts.py", "svg.py")
"""Programs for the shell, pieces of SVG: no prose."""


def sources() -> Iterator[Path]:
    """The files in which a sentence for a user may stand."""
    for folder in (DAEMON, Path(gatehand_air.__file__).parent):
        yield from sorted(path for path in folder.rglob("*.py") if path.name not in _SCRIPTS)


def elsewhere() -> Iterator[str]:
    """What stands in the source besides, with the names of what is filled in."""
    helped = " ".join(" ".join(section("Help")).split())
    for path in sources():
        name = f"{path.parent.name}/{path.name}"
        if name in _RENDERED:
            continue
        said = [" ".join(one.text.split()) for one in literals(path)]
        said = [f"  {one}" for one in dict.fromkeys(said) if one not in helped]
        yield from (name, *said) if said else ()


SECTIONS: Final[Mapping[str, Callable[[], Iterator[str]]]] = {
    "The event log": the_log,
    "Why it was so: each rule, after a comma": reasons,
    "Alarms, and what to do": alarms,
    "Answers of gatehand why": why,
    "Kinds of mistakes, as gatehand check --explain has them": codes,
    "What gatehand check says of each bad config": mistakes,
    "Keys of the config, as an editor shows them": keys,
    "Help": help_texts,
    "Everything else that is said, as the source has it": elsewhere,
}


UNFILLED: Final = (
    "Keys of the config, as an editor shows them",
    "Kinds of mistakes, as gatehand check --explain has them",
    "What gatehand check says of each bad config",
    "Help",
    "Everything else that is said, as the source has it",
)
"""Sections with examples of TOML, names of files and fields that are not filled."""


@cache
def section(title: str) -> tuple[str, ...]:
    """Its lines."""
    return tuple(SECTIONS[title]())


def whole() -> str:
    """All of it, section by section."""
    head = "Every sentence that a user can meet. Made by pytest --rewrite-scenarios tests/words; read the diff.\n"
    return head + "".join(f"\n{'=' * 8} {title}\n\n" + "\n".join(section(title)) + "\n" for title in SECTIONS)
