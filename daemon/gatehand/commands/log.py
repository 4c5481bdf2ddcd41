"""`gatehand log`: the event log in sentences, newest last. Reads; needs no daemon and no broker."""

import argparse
import json
from collections import deque
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING

from gatehand.commands import WRONG_USAGE, CommandError, add_span, device_name, no_such, readable, show_skipped
from gatehand.journal.line import LogLine, OwnEvent, is_repeat
from gatehand.journal.reader import EventReader, Follower
from gatehand.journal.sentences import sentence
from gatehand.terminal import show
from gatehand.times import local_stamp
from gatehand_rules.findings import Happened

if TYPE_CHECKING:
    from gatehand.config import Config

_LAST = 50
_EVENTS = frozenset(map(str, (*Happened, *OwnEvent)))


def configure(parser: argparse.ArgumentParser) -> None:
    """Its options."""
    parser.description = (
        f"Shows the event log in sentences, newest last: the last {_LAST} events, or all since a time. Times are "
        'local: "14:32", "yesterday 9:00", "2 h ago", "-30 min", or RFC 3339. What only repeats (the "on" of '
        "refresh, a command given again while its alarm is active, counts of repeats) is left out, in --json too, "
        "unless --all is given. Exits 1 when there is no such event."
    )
    add_span(parser, since="from this time on", until="up to this time", flags=("--since", "--until"))
    parser.add_argument(
        "--tool", action="append", type=device_name, metavar="NAME", help="only this tool; can be repeated"
    )
    parser.add_argument(
        "--gate", action="append", type=device_name, metavar="NAME", help="only this gate; can be repeated"
    )
    parser.add_argument(
        "--collector", action="append", type=device_name, metavar="NAME", help="only this collector; can be repeated"
    )
    parser.add_argument("--event", action="append", metavar="EVENT", help="only this event, such as start_refused")
    parser.add_argument("--all", action="store_true", help="show repeated commands and counts too")
    parser.add_argument("-n", type=_count, metavar="N", help="only the newest N events")
    parser.add_argument("--follow", action="store_true", help="keep running and show events as they come, until Ctrl-C")
    parser.add_argument("--log", type=Path, metavar="FOLDER", help="the log's folder; else the one in the config")
    parser.add_argument("--json", action="store_true", help="the events as they are in the log, one JSON object a line")


def run(args: argparse.Namespace) -> int:
    """Print what is asked for."""
    _check_usage(args)
    folder, config = (args.log, None) if args.log else _folder_of(args.config)
    try:
        return _show(folder, args, config)
    except OSError as error:
        text = f"{error.filename or folder}: the log cannot be read ({error.strerror})"
        raise CommandError(text) from error


def _show(folder: Path, args: argparse.Namespace, config: "Config | None") -> int:
    follower = Follower(folder) if args.follow else None
    reader = EventReader(folder)
    lines = _chosen(reader, args)
    for line in lines:
        _print(line, as_json=args.json)
    show_skipped(reader.skipped)
    if not lines and config is not None:
        _check_names(args, config)
    if follower is not None:
        _follow(follower, args, shown={_id(line) for line in lines})
    elif not lines:
        args.all = True
        raise CommandError(_nothing(folder, reader, repeats=bool(_chosen(reader, args))))
    return 0


def _chosen(reader: EventReader, args: argparse.Namespace) -> list[LogLine]:
    if args.since is not None:
        return list(deque((line for line in reader.lines(args.since, args.until) if _is_wanted(line, args)), args.n))
    newest = (line for line in reader.backwards(args.until) if _is_wanted(line, args))
    return list(islice(newest, args.n or _LAST))[::-1]


def _is_wanted(line: LogLine, args: argparse.Namespace) -> bool:
    asked = {"tool": args.tool, "gate": args.gate, "collector": args.collector, "event": args.event}
    if not all(names is None or line.get(key) in names for key, names in asked.items()):
        return False
    # Of an event that is nothing but a count the counts are what is asked for.
    return args.all or not is_repeat(line) or OwnEvent.REFUSALS_COUNTED in (args.event or ())


def _follow(follower: Follower, args: argparse.Namespace, shown: set[tuple[object, object]]) -> None:
    try:
        for line in follower.follow():
            if _is_wanted(line, args) and _id(line) not in shown:
                _print(line, as_json=args.json)
    except KeyboardInterrupt:
        show_skipped(follower.skipped)


def _print(line: LogLine, *, as_json: bool) -> None:
    if as_json:
        print(json.dumps(line, ensure_ascii=False, separators=(",", ":")), flush=True)
    else:
        show([f"{local_stamp(str(line['ts']))}  {sentence(line)}"])


def _nothing(folder: Path, reader: EventReader, *, repeats: bool) -> str:
    if repeats:
        return f"only repeated commands and counts in {folder}; --all shows them"
    if not folder.is_dir():
        return f"{folder}: there is no such folder; has the daemon ever run with this config?"
    newest = next(reader.backwards(), None)
    oldest = next(reader.lines(), None)
    if newest is None or oldest is None:
        return f"{folder}: no events yet"
    return (
        f"no such event; {folder} has events from {local_stamp(str(oldest['ts']))} to {local_stamp(str(newest['ts']))}"
    )


def _check_usage(args: argparse.Namespace) -> None:
    if args.follow and args.until is not None:
        raise CommandError("gatehand log: --follow shows what is still to come, so it takes no --until", WRONG_USAGE)
    if all(event in _EVENTS for event in args.event or ()):
        return
    from gatehand.mqtt.transport import NoticeKind

    known = {*_EVENTS, *map(str, NoticeKind)}
    for event in args.event:
        if event not in known:
            raise no_such("gatehand log: there is no event", event, sorted(known))


def _check_names(args: argparse.Namespace, config: "Config") -> None:
    """Where nothing was found: that a name is in the config. One that it no longer has may well be in the log."""
    for kind in ("tool", "gate", "collector"):
        known = getattr(config, kind)
        for name in getattr(args, kind) or ():
            if name not in known:
                raise no_such(f"gatehand log: there is no {kind}", name, known)


def _folder_of(path: Path) -> tuple[Path, "Config"]:
    loaded, found = readable(path)
    if found is None:
        raise CommandError("gatehand log: without a config, say where the log is with --log FOLDER")
    return loaded.file(found.log.folder), found


def _id(line: LogLine) -> tuple[object, object]:
    return line.get("run"), line.get("seq")


def _count(text: str) -> int:
    count = int(text)
    if count < 1:
        raise argparse.ArgumentTypeError(f"{text} is not a number of events; wanted 1 or more")
    return count
