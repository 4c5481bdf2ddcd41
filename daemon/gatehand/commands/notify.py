"""`gatehand notify`: a service of its own that runs a program of the owner's for each alarm. It only listens."""

import argparse
import re
import sys
from collections.abc import Sequence
from datetime import time
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from gatehand.commands import WRONG_USAGE, CommandError, add_broker, ending, seconds, where_to_look

if TYPE_CHECKING:
    from gatehand.notify.service import Asked

_AFTER: Final = 5.0
_LOST_AFTER: Final = 60.0
_LIMIT: Final = 30.0
_LONGEST_LIMIT: Final = 600.0
_LONGEST_GRACE: Final = 86_400.0
_STATE_VARIABLE: Final = "STATE_DIRECTORY"
_RUN: Final = "--run"


class Parser(argparse.ArgumentParser):
    """Gives all that follows `--run` to the program as it is written, options and `--` too."""

    def parse_known_args(self, args: Sequence[str] | None = None, namespace: Any = None) -> tuple[Any, list[str]]:  # type: ignore[override]  # noqa: ANN401 - argparse's own
        """Split the line at `--run`; see `argparse`."""
        words = list(sys.argv[1:] if args is None else args)
        at = next((at for at, word in enumerate(words) if word == _RUN or word.startswith(f"{_RUN}=")), len(words))
        first = [word.removeprefix(f"{_RUN}=") for word in words[at : at + 1] if word != _RUN]
        program = [*first, *words[at + 1 :]]
        if program[:1] == ["--"]:
            del program[0]
        if not program:
            return super().parse_known_args(words, namespace)
        found, unknown = super().parse_known_args([*words[:at], _RUN, "program"], namespace)
        found.run = program
        return found, unknown


def configure(parser: argparse.ArgumentParser) -> None:
    """Its options."""
    parser.description = (
        "Runs your program for each alarm that stays active for longer than --after: the first at once, then at most "
        "once a minute, with all that came in the meantime. Each alarm is reported once. The program gets a JSON list "
        "on its standard input; its arguments are yours, then the ids of the alarms. A daemon that dies and a broker "
        "that is away are reported too. An alarm that somebody acknowledges first is left out. Needs only the broker, "
        "and a login that may read, such as viewer. Runs until it is stopped. What it reports may come late or never: "
        "it is not a safety device."
    )
    parser.add_argument(
        _RUN,
        nargs="+",
        type=Path,
        required=True,
        metavar=("PROGRAM", "ARG"),
        help="your program with its own options and arguments: give it last",
    )
    parser.add_argument(
        "--after",
        type=seconds(_LONGEST_GRACE, "5 or 5s"),
        default=_AFTER,
        metavar="SECONDS",
        help=f"how long an alarm must be active before it is reported; default {_AFTER:g}",
    )
    parser.add_argument(
        "--lost-after",
        type=seconds(_LONGEST_GRACE, "60 or 1min"),
        default=_LOST_AFTER,
        metavar="SECONDS",
        help=f"how long the broker may be away before that is reported; default {_LOST_AFTER:g}",
    )
    parser.add_argument("--ends", action="store_true", help="report the end of each reported alarm too")
    parser.add_argument(
        "--digest",
        type=_time_of_day,
        metavar="HH:MM",
        help="report the day at this local time: cuts, starts, what was missed and refused, alarms, upkeep that is "
        "due; from the event log, which must be on this computer",
    )
    parser.add_argument(
        "--limit",
        type=seconds(_LONGEST_LIMIT, "30 or 30s"),
        default=_LIMIT,
        metavar="SECONDS",
        help=f"stop the program when it takes longer; default {_LIMIT:g}",
    )
    parser.add_argument(
        "--state",
        type=Path,
        metavar="FOLDER",
        help="where to remember what was reported (notify.json); else $STATE_DIRECTORY, else nowhere",
    )
    parser.add_argument(
        "--try", dest="trial", action="store_true", help="run the program once with a made-up alarm, and end"
    )
    add_broker(parser)


def run(args: argparse.Namespace) -> int:
    """Report until it is stopped."""
    from gatehand.notify import runner
    from gatehand.notify.heard import Graces
    from gatehand.notify.service import Asked

    try:
        program = runner.find(args.run[0])
    except runner.NoProgramError as error:
        raise CommandError(f"gatehand notify: {error}", WRONG_USAGE) from error
    asked = Asked(
        command=(str(program), *args.run[1:]),
        graces=Graces(args.after, args.lost_after),
        ends=args.ends,
        limit=args.limit,
        digest=args.digest,
        config=args.config.absolute(),
    )
    return _trial(asked) if args.trial else _serve(args, asked)


def _trial(asked: "Asked") -> int:
    """Run the program once, and say how it ended."""
    import asyncio
    import time as clocks

    from gatehand.notify import runner
    from gatehand.notify.entry import TRIAL, arguments, as_input, own_entry
    from gatehand.terminal import show
    from gatehand.times import stamp

    because = "This is a trial: nothing is wrong in the shop."
    entry = own_entry(
        TRIAL, stamp(clocks.time()), because, "If you read this where you want your alarms, nothing is left to do."
    )
    command = [*asked.command, *arguments([entry])]
    outcome = asyncio.run(runner.run(command, as_input([entry.shown()]), asked.limit))
    show([f"{asked.command[0]}: {outcome}"])
    return 0 if outcome.well else 1


def _serve(args: argparse.Namespace, asked: "Asked") -> int:
    import asyncio
    import os
    import signal

    from gatehand.notify.memory import AlreadyRunningError, MemoryFile
    from gatehand.notify.service import Service

    if asked.digest is not None and not args.config.is_file():
        text = f"--digest needs the config, which says where the event log is: {args.config} is not there"
        raise CommandError(f"gatehand notify: {text}", WRONG_USAGE)
    where = where_to_look(args, "notify")
    handed = os.environ.get(_STATE_VARIABLE, "").split(":")[0]
    folder = args.state.absolute() if args.state is not None else Path(handed) if handed else None
    memory = MemoryFile(folder)
    with ending(AlreadyRunningError, by="gatehand notify: "):
        try:
            memory.lock()
        except OSError as error:
            raise CommandError(f"gatehand notify: {folder}: cannot be written ({error.strerror or error})") from error
    _say(f"running {asked.command[0]} for the alarms of {where.text}")
    if folder is None:
        _say("without --state nothing is remembered: after a restart, alarms that are still active are reported again")

    async def serve() -> None:
        service = Service(where, asked, memory, _say)
        for number in (signal.SIGTERM, signal.SIGINT):
            asyncio.get_running_loop().add_signal_handler(number, service.stop)
        await service.run()

    asyncio.run(serve())
    _say("stopped")
    return 0


def _say(text: str) -> None:
    """A line for the journal."""
    from gatehand.text import printable

    print(printable(text), file=sys.stderr, flush=True)


def _time_of_day(text: str) -> time:
    found = re.fullmatch(r"([01]?[0-9]|2[0-3]):([0-5][0-9])", text, re.ASCII)
    if found is None:
        raise argparse.ArgumentTypeError(f"found {text!r}; wanted a time of day such as 18:00")
    return time(int(found[1]), int(found[2]))
