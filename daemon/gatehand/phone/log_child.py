"""Answers one question from the event log, as a process of its own.

A year's log takes memory and time that the page's server must not give. The text of the config comes over standard
input; the words are the question, the path of the config, and what it is about. The answer goes to standard output, as
JSON, or as HTML for the report. Exit code 1: there is no answer, and `text` says why. It gives way to whoever needs
the processor.
"""

import json
import os
import resource
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, cast

from gatehand.config import Config, Loaded, load_text
from gatehand.journal.line import LogLine
from gatehand.journal.reader import EventReader
from gatehand.journal.sentences import sentence, spoken
from gatehand.past.account import NOT_COUNTED, RESTART_MS, Account, Use, account
from gatehand.text import as_sentence, listed, named
from gatehand.times import from_ms, local, rough, stamp_ms, to_ms
from gatehand_rules import Happened

if TYPE_CHECKING:
    from gatehand.why.moment import SubjectKind

REPORT_DAYS: Final = 30
_BEFORE: Final = timedelta(days=1)
"""Of the log before a day: what began then may still run in it."""
_MOST_MISSED: Final = 100
_QUARTER_HOUR_MS: Final = 900_000
_NICE: Final = 10
_MOST_SECONDS: Final = 60
"""Of processor time, should nobody be there any more to end it."""
_NOT_STARTED: Final = frozenset({Happened.START_MISSED, Happened.START_REFUSED})


class NoAnswerError(Exception):
    """There is no answer; the text says why, in a sentence for a person."""


def why(loaded: Loaded, words: Sequence[str]) -> str:
    """What happened last to a subject, `tool.band_saw`, that should not have: lines of text."""
    from gatehand.why.ask import ask
    from gatehand.why.told import text

    config, folder = _config(loaded)
    if loaded.shop is None:
        raise NoAnswerError("The config has mistakes. Fix what gatehand check shows, then ask again.")
    kind, _, name = words[0].partition(".")
    answer = ask(config, loaded.shop, folder, (cast("SubjectKind", kind), name), None)
    if answer is None:
        whom = f"{'' if kind == 'tool' else f'{kind} '}{spoken(name)}"
        return _json(
            {"ok": True, "lines": [f"The log has nothing that should have happened with the {whom} and did not."]}
        )
    return _json({"ok": True, "lines": list(text(answer, hint=False))})


def day(loaded: Loaded, words: Sequence[str]) -> str:
    """What ran when on a local day, and what did not start.

    Times are epoch seconds. `tools` and `collectors` have `spans`, pairs of from and to; what still runs where the log
    ends counts to there. `missed` is by time, the newest hundred. `offsets` has pairs: from when on the local clock is
    how many seconds ahead of UTC.
    """
    config, folder = _config(loaded)
    asked = date.fromisoformat(words[0])
    begin, end = (_midnight(one) for one in (asked, asked + timedelta(days=1)))
    found, missed = _of_day(folder, begin, end)
    until = _until(folder, found, end)

    def row(name: str, use: Use, count: int, what: str) -> dict[str, Any]:
        spans = _within(use, until, begin, end)
        ran = sum(to - since for since, to in spans)
        text = f"{named(count, what)}, {rough(ran / 1000)}" if spans else "not used"
        shown = [[since / 1000, to / 1000] for since, to in spans]
        return {"name": name, "title": spoken(name), "spans": shown, f"{what}s": count, "text": text}

    tools = [row(name, use, _begun(use, begin, end), "cut") for name, use in _every(config.tool, found.tools)]
    collectors = [
        row(name, use, sum(begin <= ms < end for ms in found.switched_on.get(name, ())), "start")
        for name, use in _every(config.collector, found.collectors)
    ]
    return _json(
        {
            "ok": True,
            "date": asked.isoformat(),
            "begin": begin / 1000,
            "end": end / 1000,
            "offsets": _offsets(begin, end),
            "now": time.time(),
            "tools": tools,
            "collectors": collectors,
            "missed": [{"at": stamp_ms(str(line["ts"])) / 1000, "text": sentence(line)} for line in missed],
            "text": _of_whole_day(tools, collectors, len(missed), _unwritten(found, begin, end)),
        }
    )


def upkeep(loaded: Loaded, _words: Sequence[str]) -> str:
    """What upkeep of the config is due, and when."""
    from gatehand.report.plain_text import upkeep_words
    from gatehand.report.summary import upkeep_of

    config, folder = _config(loaded)
    due = [{"name": one.name, "text": upkeep_words(one), "word": one.word} for one in upkeep_of(config, folder)]
    return _json({"ok": True, "upkeep": due})


def report(loaded: Loaded, _words: Sequence[str]) -> str:
    """The report's page of the last days."""
    from gatehand.report.html_page import page
    from gatehand.report.summary import gather

    config, folder = _config(loaded)
    summary, _ = gather(config, folder, datetime.now(UTC) - timedelta(days=REPORT_DAYS))
    if not summary.account.events:
        raise NoAnswerError(f"The log has nothing of the last {REPORT_DAYS} days.")
    return page(summary)


QUESTIONS: Final[dict[str, Callable[[Loaded, Sequence[str]], str]]] = {
    "why": why,
    "day": day,
    "upkeep": upkeep,
    "report": report,
}


def _config(loaded: Loaded) -> tuple[Config, Path]:
    from gatehand.config.load import salvage

    config = loaded.config or salvage(loaded.text)
    return config, loaded.file(config.log.folder)


def _midnight(of: date) -> int:
    """Wall ms at which a local day begins."""
    return to_ms(datetime.combine(of, datetime.min.time()).astimezone())


def _offsets(begin: int, end: int) -> list[tuple[float, float]]:
    """Clocks are put forward and back at whole quarters of an hour (the IANA time zone database, today's rules)."""
    found: list[tuple[float, float]] = []
    for ms in range(begin, end, _QUARTER_HOUR_MS):
        ahead = (local(ms).utcoffset() or timedelta()).total_seconds()
        if not found or found[-1][1] != ahead:
            found.append((ms / 1000, ahead))
    return found


def _of_day(folder: Path, begin: int, end: int) -> tuple[Account, list[LogLine]]:
    reader, missed = EventReader(folder), list[LogLine]()

    def lines() -> Iterator[LogLine]:
        for line in reader.lines(from_ms(begin) - _BEFORE, from_ms(end), without=NOT_COUNTED):
            if line["event"] in _NOT_STARTED and stamp_ms(str(line["ts"])) >= begin:
                missed.append(line)
            yield line

    return account(lines(), lambda: reader.passed_ts), missed[-_MOST_MISSED:]


def _until(folder: Path, found: Account, end: int) -> int:
    """To when what runs at the day's end counts: to the end, where the log goes on after it, else to the log's end."""
    after = next(EventReader(folder).lines(from_ms(end)), None)
    runs = found.runs[-1:]
    goes_on = after is not None and any(after.get("run") == run.name for run in runs)
    return max([found.until_ms, *(run.end for run in runs), *([end] if goes_on else [])])


def _within(use: Use, until: int, begin: int, end: int) -> list[tuple[int, int]]:
    clipped = ((max(since, begin), min(to, end)) for since, to in use.ended(until))
    return [(since, to) for since, to in clipped if since < to]


def _begun(use: Use, begin: int, end: int) -> int:
    """How many spans begin in that time; what goes on over a restart of the daemon began before it."""
    count, before = 0, None
    for at, (since, to) in enumerate(use.spans):
        goes_on = before is not None and {at, at - 1} <= use.in_part and since - before < RESTART_MS
        count += begin <= since < end and not goes_on
        before = to
    return count


def _every(names: Sequence[str] | dict[str, Any], found: dict[str, Use]) -> list[tuple[str, Use]]:
    """Those of the config in its order, then those that only the log knows."""
    others = sorted(name for name in found if name not in names)
    return [(name, found.get(name, Use())) for name in (*names, *others)]


def _unwritten(found: Account, begin: int, end: int) -> list[tuple[int, int]]:
    spans = ((max(one.begin, begin), min(one.end, end)) for one in found.unrecorded)
    return [(since, to) for since, to in spans if since < to]


def _of_whole_day(
    tools: list[dict[str, Any]], collectors: list[dict[str, Any]], missed: int, unwritten: list[tuple[int, int]]
) -> str:
    """The day in one sentence, and in another what of it is not known."""
    cuts, starts = (sum(one[key] for one in rows) for rows, key in ((tools, "cuts"), (collectors, "starts")))
    used = [one["title"] for one in tools if one["spans"]]
    fan = sum(to - since for one in collectors for since, to in one["spans"])
    said = []
    if used:
        said.append(f"{named(cuts, 'cut')} on {listed(used, last='and')}")
    if fan:
        who = "the collector" if len(collectors) == 1 else "the collectors"
        said.append(f"{who} started {_times(starts)} and ran for {rough(fan)}")
    if missed:
        said.append(f"{named(missed, 'start')} did not happen")
    whole = as_sentence("; ".join(said)) if said else "Nothing ran."
    if unwritten:
        since, to = max(unwritten, key=lambda one: one[1] - one[0])
        more = f" and at {len(unwritten) - 1} other times" if len(unwritten) > 1 else ""
        whole += (
            f" Gatehand was not running from {local(since):%H:%M} to {local(to):%H:%M}{more}: "
            "the log has nothing of that time."
        )
    return whole


def _times(count: int) -> str:
    return {1: "once", 2: "twice"}.get(count, f"{count:,} times")


def _json(answer: object) -> str:
    return json.dumps(answer, separators=(",", ":"))


def main(words: Sequence[str]) -> int:
    """One question: its name, the config's path, and what it is about."""
    with suppress(OSError):
        os.nice(_NICE)
    with suppress(OSError, ValueError):
        resource.setrlimit(resource.RLIMIT_CPU, (_MOST_SECONDS, _MOST_SECONDS))
    question, path, *about = words
    loaded = load_text(sys.stdin.read(), Path(path), files=False)
    try:
        answer, code = QUESTIONS[question](loaded, about), 0
    except NoAnswerError as error:
        answer, code = _json({"ok": False, "text": str(error)}), 1
    except OSError as error:
        text = f"The event log cannot be read ({error.strerror or error}). Look at its disk and at who may read it."
        answer, code = _json({"ok": False, "text": text}), 1
    sys.stdout.write(answer)
    return code


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
