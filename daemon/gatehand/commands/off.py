"""`gatehand off`: switches every collector off, without the daemon. The service runs it when the daemon has ended.

It must do its best whatever was edited, removed or hangs: the config where it can be read in time, else what the daemon
noted at its start (`off.json`), else what can be salvaged of a config with errors.
"""

import argparse
import logging
import os
import queue
import sys
import threading
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, TypeVar

from gatehand.commands import answer_in, print_json, who
from gatehand.shell.state_folder import NoNotesError, OffNotes, is_locked, read_notes, state_folder, yielded
from gatehand.terminal import show
from gatehand.text import json_bytes, printable

if TYPE_CHECKING:
    from gatehand.mqtt.settings import BrokerSettings

WITHIN: Final = 2.5
"""Seconds for the broker, so that all of it is over within 4 s on a slow board too."""
READ_WITHIN: Final = 1.0
"""Seconds for each file: one on a mount that hangs, or a pipe, is given up."""

READER: Final = "read"
_ID_BYTES: Final = 8

T = TypeVar("T")


def configure(parser: argparse.ArgumentParser) -> None:
    """Its options."""
    parser.description = (
        f"Publishes each collector's own off and waits at most {WITHIN:g} s until the broker confirms it; then asks "
        "a running daemon to end its refresh and to drop all demands, so that only a fresh start switches the "
        "collector on again, and prints what it answers within a second. Needs no daemon, and no config where a "
        "daemon has run before. Gates are left as they are. Exits 1 when a collector's off did not reach the broker. "
        "It is not an emergency stop."
    )
    parser.add_argument("--json", action="store_true", help="the same facts as JSON, for programs")
    parser.add_argument(
        "--state",
        type=Path,
        metavar="FOLDER",
        help="the daemon's state folder, for off.json; else $STATE_DIRECTORY, else beside the config",
    )
    parser.add_argument(
        "--when-ended",
        action="store_true",
        help="for the service: do nothing while a daemon with this state folder runs, or when it left the shop to "
        "another",
    )


def run(args: argparse.Namespace) -> int:
    """Switch them off. 1: at least one off did not reach the broker, or nobody listens there."""
    code = _switch_off(args)
    if any(each.name == READER for each in threading.enumerate()):
        # A file still hangs. Python's shutdown would cut that thread off inside a library's code, which can abort.
        sys.stdout.flush()
        sys.stderr.flush()
        os._exit(code)
    return code


def _switch_off(args: argparse.Namespace) -> int:
    folder = state_folder(args.state, args.config)
    if args.when_ended and (is_locked(folder) or yielded(folder)):
        show(["gatehand off: another daemon is running here; nothing was switched off"])
        return 0
    found = _find(args.config, folder)
    if isinstance(found, str):
        show([f"gatehand off: {found}"])
        return 1
    notes, source = found
    told = _tell(notes, waits=not args.when_ended)
    code = int(any(told.objections.values()))
    if args.json:
        facts = {"ok": code == 0, "used": source, "collectors": told.objections, "daemon_told": told.daemon_has_it}
        print_json({**facts, "answers": told.answers})
        return code
    show([f"by {source}:"])
    for name, objection in told.objections.items():
        show([f"collector {name}: {'off sent' if objection is None else f'not switched off: {objection}'}"])
    for name, answer in told.answers.items():
        show([f"collector {name}: the daemon answered: {printable(answer['text'])}"])
    if told.daemon_has_it and len(told.answers) < len(told.objections):
        others = "them" if not told.answers else "the others"
        show([f"if a daemon is running, it was asked to keep {others} off until a fresh start"])
    return code


def _find(config: Path, folder: Path) -> tuple[OffNotes, str] | str:
    """What to say to whom, and where that stood; else why nothing is known."""
    from gatehand.config import Loaded, load
    from gatehand.config.load import salvage

    loaded = _bounded(lambda: load(config, files=False))
    if not isinstance(loaded, Loaded):
        why = f"{config} could not be read within {READ_WITHIN:g} s"
    elif loaded.config is not None:
        return OffNotes.of(loaded.config, loaded), str(loaded.path)
    else:
        why = str(loaded.errors[0])
    notes = _bounded(lambda: read_notes(folder))
    if isinstance(notes, OffNotes):
        show([f"gatehand off: the config cannot be used ({why})"], sys.stderr)
        return notes, f"{folder / 'off.json'}, which the daemon wrote from the last config that it took"
    # The daemon may have run with an earlier text: what this one still says of collectors is used.
    if isinstance(loaded, Loaded) and (rest := salvage(loaded.text)).collector:
        show([f"gatehand off: the config has errors; using what can be read of it ({why})"], sys.stderr)
        return OffNotes.of(rest, loaded), f"what can be read of {config}"
    missing = str(notes) if isinstance(notes, NoNotesError) else f"{folder / 'off.json'} could not be read in time"
    return (
        f"{config} names no collector that can be switched off ({why}), and {missing}; switch the collector off at "
        f"its own "
        "switch, correct the config, or name the daemon's state folder with --state"
    )


@dataclass(frozen=True, slots=True)
class _Told:
    """By collector: None, or why its off is not with the broker; and what the daemon answered, where it did.

    `daemon_has_it`: somebody heard what a daemon should. It may be a screen that hears all below the daemon's base.
    """

    objections: dict[str, str | None]
    daemon_has_it: bool = False
    answers: dict[str, dict[str, Any]] = field(default_factory=dict)


def _tell(notes: OffNotes, *, waits: bool) -> _Told:
    """Say it to every collector, then to a daemon. `waits`: for that one's answer, where it has not ended just now."""
    import asyncio

    from gatehand.mqtt.deliver import Answers, deliver
    from gatehand.mqtt.failures import ConnectionFailedError, failure_notice
    from gatehand.mqtt.transport import MessageKind, Outgoing
    from gatehand.small_files import NoSecretError

    logging.getLogger("gatehand.mqtt").addHandler(logging.NullHandler())  # what went wrong is said below
    names = tuple(notes.collectors)
    offs = [Outgoing(each.topic, each.off.encode(), MessageKind.OFF) for each in notes.collectors.values()]
    ids = {name: os.urandom(_ID_BYTES).hex() for name in names}
    bodies = {name: json_bytes({"id": ids[name], "by": who()}) for name in names}
    asks = [Outgoing(f"{notes.base}/collector/{name}/off", bodies[name], MessageKind.OFF) for name in names]
    answers = Answers(tuple(f"{notes.base}/answer/{ids[name]}" for name in names))
    settings = _bounded(lambda: _settings(notes))
    if isinstance(settings, Exception):
        late = f"{notes.password_file} could not be read within {READ_WITHIN:g} s"
        return _Told(dict.fromkeys(names, str(settings) if isinstance(settings, NoSecretError) else late))
    try:
        found = asyncio.run(deliver(settings, offs, WITHIN, asks, answers if waits else None))
    except ConnectionFailedError as failed:
        return _Told(dict.fromkeys(names, failure_notice(failed, settings).text))
    said = {name: answer_in(answers.came.get(topic)) for name, topic in zip(names, answers.topics, strict=True)}
    known = {name: answer for name, answer in said.items() if answer is not None}
    heard = bool(known) or any(each is None for each in found[len(names) :])
    return _Told(dict(zip(names, found, strict=False)), heard, known)


def _settings(notes: OffNotes) -> "BrokerSettings":
    from msgspec import convert

    from gatehand.mqtt.settings import BrokerSettings, fresh_client_id
    from gatehand.small_files import read_secret

    noted = convert(notes, BrokerSettings, from_attributes=True)
    password = None if notes.password_file is None else read_secret(notes.password_file)
    return replace(noted, client_id=fresh_client_id(notes.base, "off"), password=password)


def _bounded(work: Callable[[], T]) -> T | Exception:
    """What it gives or raises, in a thread that is left behind when it takes too long (then a TimeoutError)."""
    done: queue.SimpleQueue[T | Exception] = queue.SimpleQueue()

    def do() -> None:
        try:
            done.put(work())
        except Exception as error:  # noqa: BLE001 - the caller tells what it was
            done.put(error)

    threading.Thread(target=do, daemon=True, name=READER).start()
    try:
        return done.get(timeout=READ_WITHIN)
    except queue.Empty:
        return TimeoutError()
