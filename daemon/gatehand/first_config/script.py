"""The course of the evening: the broker, who is there, each gate, collector, tool and stop in turn, the config.

A generator without any other memory than what comes back to it, so that an evening that was broken off is played again
with what was answered, and goes on where it was.
"""

from collections.abc import Sequence
from pathlib import Path
from typing import Final

from gatehand.first_config import questions as q
from gatehand.first_config.boards import Board, tables
from gatehand.first_config.devices import collector, gate, stop, tool
from gatehand.first_config.draft import Draft, Table, duration
from gatehand.first_config.questions import SignalAnswer
from gatehand.first_config.steps import Ask, Connect, Forget, Given, Manner, Quiet, RhythmOf, Steps, Tell
from gatehand.listening.roles import fitting_silent_after
from gatehand.rhythm import words
from gatehand.text import listed

LISTEN_FIRST: Final = 20.0
"""Seconds of quiet, so that what moves by itself shows it."""

CAUTION: Final = (
    "Gatehand is not a safety device: not a lockout, not an emergency stop, not fire protection. Machines will run: "
    "guards "
    "on, nothing in the cut, nobody's hands in a machine or a gate, a mask on. Mains wiring is a licensed "
    "electrician's work. This command itself switches and moves nothing: it listens while you do."
)
OPENING: Final = (
    "Made by gatehand init from what was heard and answered. Next: gatehand check, then gatehand exercise, which",
    "tries every gate and tool with the collector kept off, then gatehand run. config.example.toml explains every key.",
    "",
    "Gatehand is not a safety device: not a lockout, not an emergency stop, not fire protection. Lock a machine out",
    "before you reach into it. Mains wiring, and relays that carry motors, are a licensed electrician's work.",
)
KEPT: Final = (
    "the broker keeps its last word, so the first cut after a start gets its air (check cannot know that, and warns)"
)
MISSED: Final = "the first cut after each start of the daemon is missed"
BROKER_KEYS: Final = ("broker.host", "broker.port", "broker.username", "broker.password_file", "broker.ca_file")


def script(folder: Path) -> Steps[Draft]:
    """The whole of it; the config comes out. `folder`: the files that it names are there."""
    draft = Draft()
    yield Tell(CAUTION)
    yield from _broker(draft.table("broker"), folder)
    boards: list[Board] = yield Quiet(LISTEN_FIRST)
    if boards:
        found = listed((each.label for each in boards), last="and")
        yield Tell(f"Boards that announced themselves: {found}.")
    collectors, gates, tools, stops = yield from _who_is_there(boards)
    for name in gates:
        yield from gate(draft.table("gate", name), boards, collectors)
    for name in collectors:
        yield from collector(draft.table("collector", name), boards, gated=bool(gates))
    for name in tools:
        yield from tool(draft.table("tool", name), boards, gates, collectors)
    for name in stops:
        yield from stop(draft.table("stop", name), boards, collectors)
    for table in draft.of("tool"):
        yield from _rhythm(table)
    _hoses(draft)
    draft.tables.sort(key=lambda table: ("broker", "collector", "gate", "tool", "stop").index(table.kind))
    draft.settle()
    return draft


def _broker(table: Table, folder: Path) -> Steps[None]:
    while True:
        host: str = yield Ask(
            "broker.host", "Which computer does the MQTT broker run on? (name or address)", q.text, "127.0.0.1"
        )
        port: int = yield Ask("broker.port", "Its port", q.port, "1883")
        text = 'Its login for Gatehand, or "none" if it needs none'
        username: str | None = yield Ask("broker.username", text, q.or_none(q.text), q.NONE)
        password: str | None = None
        if username is not None:
            text = "The file with the password in its first line, readable only by you"
            password = yield Ask("broker.password_file", text, q.or_none(q.text), "broker.password")
        text = 'The certificate file for an encrypted connection, or "none"'
        ca_file: str | None = yield Ask("broker.ca_file", text, q.or_none(q.certificate(folder)), q.NONE)
        trouble: str | None = yield Connect(host, port, username, password, ca_file)
        if trouble is None:
            break
        yield Tell(f"{trouble}. Once that is fixed, answer again; Enter takes the answer in brackets.")
        yield Forget(BROKER_KEYS)
    table.add("host", host)
    table.add("port", port if port != 1883 else None)  # noqa: PLR2004 - the default
    table.add("username", username)
    table.add(
        "password_file",
        password,
        "a file with the password in its first line; only the daemon should be able to read it",
    )
    table.add("tls", None if ca_file is None else {"ca_file": ca_file})


def _who_is_there(boards: Sequence[Board]) -> Steps[tuple[list[str], list[str], list[str], list[str]]]:
    def of(kind: str, otherwise: str = "") -> str | None:
        found = dict.fromkeys(name for board in boards for of, name, _ in tables(board) if of == kind)
        return ", ".join(found) or otherwise or None

    yield Tell("Choose the names: letters, digits, spaces. Separate several with commas.")
    ask = "What is the dust collector called? (several: name each)"
    collectors: list[str] = yield Ask("collectors", ask, q.names, of("collector", "main"))
    ask = "The blast gates by name, such as band saw, planing, sweep (none: hoses without a gate)"
    gates: list[str] = yield Ask("gates", ask, q.names, of("gate"))
    ask = "The tools by name: those with a meter or a contact that shows when they run"
    tools: list[str] = yield Ask("tools", ask, q.names, of("tool", ", ".join(gates)))
    ask = "Stop contacts that Gatehand can hear (an emergency stop's, a spark detector's) by name, or none"
    stops: list[str] = yield Ask("stops", ask, q.names, of("stop", q.NONE))
    return collectors, gates, tools, stops


def _rhythm(table: Table) -> Steps[None]:
    """How long a sensor may be silent, by how often it was heard; and whether its tool's first cut is missed."""
    key, sensor = next(
        ((line.key, line.value) for line in table.lines if isinstance(line.value, SignalAnswer)), ("", None)
    )
    if sensor is None:
        return
    given: float | None = yield Given(f"tool.{table.name}.silent_after", q.seconds)
    if given is not None:
        table.add("silent_after", duration(given), "as answered")
        return
    manner: Manner = yield RhythmOf(sensor.topic, sensor.pointer)
    found = manner.rhythm
    if found is not None and found.steady:
        table.add("silent_after", duration(fitting_silent_after(found)), f"its meter {words(found)}")
        return
    first = KEPT if manner.kept else f"{MISSED}: add poll to {key}, or let the device retain its word"
    if not manner.kept:
        table.misses_first = key
    if found is None:
        said = "it was not heard often enough to tell how often it speaks; 0: it may be silent for any length of time"
    else:
        said = f"its meter {words(found)}, so its silence means nothing"
    table.add("silent_after", 0, f"{said}; {first}")


def _hoses(draft: Draft) -> None:
    """A collector without any gate works a hose."""
    homes = {table.get("collector") for table in draft.of("gate")}
    for table in draft.of("collector"):
        if not draft.of("gate") or (None not in homes and table.name not in homes):
            table.add("min_open", 0, "it has no gate: a hose")
