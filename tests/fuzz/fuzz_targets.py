"""What must hold for any bytes whatever, one function for each way in. Hypothesis and atheris both call these.

Each raises only what is a mistake of ours: an exception that is not declared, a number that is not finite, a text that
no log can hold.
"""

import contextlib
import json
import math
import re
from collections.abc import Iterator
from pathlib import Path

from msgspec import to_builtins
from msgspec.structs import astuple
from support.topic_filters import matches, topic_problem

from gatehand.config import Loaded, Severity, load, load_text
from gatehand.journal.line import LineError, LogLine, Stamper, decode, encode
from gatehand.journal.reader import EventReader, Follower
from gatehand.journal.sentences import sentence_of
from gatehand.mqtt.paho_client import filter_problem
from gatehand.mqtt.payload import Payload, Reader, Rejected, UnknownWord, excerpt
from gatehand.recording.format import FrameKind, RecordingError, frame
from gatehand.recording.recording import Recording, recordings
from gatehand.shell.active_config import ActiveConfig
from gatehand_rules import events as ev
from gatehand_rules import initial, step
from gatehand_rules.state import State

EXAMPLE = Path(__file__).parents[2] / "config.example.toml"


class _Stopped:
    """Clocks that stand still."""

    def wall(self) -> float:
        return 1_800_000_000.0

    def mono(self) -> float:
        return 100.0

    def synced(self) -> bool:
        return True


class Ears:
    """The daemon's way in, from a payload on any topic of the example shop to the rules and the log line."""

    def __init__(self) -> None:
        self.plan = ActiveConfig.of(load(EXAMPLE))
        self.topics = sorted(each.topic for each in self.plan.routes.live if "+" not in each.topic)
        self._stamper = Stamper("run", _Stopped())
        self._now = 100.0
        self._state = self._begin()

    def hear(self, which: int, payload: bytes, *, retained: bool = False) -> tuple[ev.Event, ...]:
        """One message, all the way."""
        self._now = round(self._now + 0.25, 3)
        topic = self.topics[which % len(self.topics)]
        routes = self.plan.routes
        request = routes.requests.read(topic, payload, retained=retained, now=self._now)
        if request is None:
            found = routes.events(topic, payload, retained=retained, now=self._now) or ()
        else:
            found = request.events
        for event in found:
            _check_event(event)
            outcome = step(self.plan.shop, self._state, event, self._now)
            self._state = outcome.state
            for finding in outcome.findings:
                line = self._stamper.finding(finding, self._now)
                decode(encode(line))
                sentence_of(finding).encode()
        return found

    def _begin(self) -> State:
        state = initial(self.plan.shop, self._now)
        return step(self.plan.shop, state, ev.BrokerConnected(), self._now).state


def _check_event(event: ev.Event) -> None:
    for value in astuple(event):
        if isinstance(value, float):
            assert math.isfinite(value), event
            assert abs(value) <= 1000, event
        if isinstance(value, str):
            json.dumps(value).encode()
            assert value.isprintable(), event


def payload(data: bytes) -> None:
    """A payload under a pointer of its own: a number, a word, or a reason why not."""
    pointer_text, _, raw = data.partition(b"\0")
    pointer = pointer_text.decode("utf-8", "replace")
    try:
        reader = Reader(pointer or None, 0.001)
    except ValueError:  # a pointer that is none, as the config's check says it
        return
    number = reader.read_number(raw)
    assert isinstance(number, Rejected) or (math.isfinite(number) and abs(number) <= 1000)
    found = reader.read_word(Payload(raw), {"1": True, "open": False})
    for text in [each for each in (number, found) if isinstance(each, Rejected)]:
        assert text.why
        assert text.shown.isprintable()
    if isinstance(found, UnknownWord):
        found.text.encode()
    excerpt(raw).encode()


def topics(data: bytes) -> None:
    """A filter and a topic: never an exception, and the same answer as a plain reading of the standard."""
    first, _, second = data.partition(b"\0")
    wanted, topic = first.decode("utf-8", "surrogateescape"), second.decode("utf-8", "surrogateescape")
    answer = matches(wanted, topic)
    if filter_problem(wanted) or topic_problem(topic):
        assert not answer
        return
    assert answer == _standard(wanted, topic)


def _standard(wanted: str, topic: str) -> bool:
    """MQTT 5.0 section 4.7 as a pattern."""
    if topic.startswith("$") and wanted[0] in "+#":
        return False
    pattern = ""
    for number, level in enumerate(wanted.split("/")):
        slash = "/" if number else ""
        if level == "#":
            pattern += f"(?:{slash}.*)?" if number else ".*"
        elif level == "+":
            pattern += f"{slash}[^/]*"
        else:
            pattern += slash + re.escape(level)
    return re.fullmatch(pattern, topic, re.DOTALL) is not None


def config(text: str) -> Loaded:
    """Any text as a config: used, or refused with a place for each fault."""
    loaded = load_text(text, Path("config.toml"), files=False)
    lines = text.split("\n")
    for problem in loaded.problems:
        assert 1 <= problem.line <= len(lines) + 1, problem
        assert problem.column >= 1, problem
        assert problem.message, problem
        json.dumps(to_builtins(problem)).encode()
    refused = any(problem.level is Severity.ERROR for problem in loaded.problems)
    assert refused == (loaded.config is None), loaded.problems
    assert (loaded.shop is None) == (loaded.config is None)
    if loaded.shop is not None:
        _finite(to_builtins(loaded.shop))
        ActiveConfig.of(loaded)
    return loaded


def _finite(value: object) -> None:
    if isinstance(value, dict):
        for each in value.values():
            _finite(each)
    elif isinstance(value, list):
        for each in value:
            _finite(each)
    elif isinstance(value, float):
        assert math.isfinite(value)


def config_file(data: bytes, folder: Path) -> None:
    """Any bytes as a config file."""
    path = folder / "config.toml"
    path.write_bytes(data)
    loaded = load(path, files=False)
    assert loaded.config is not None or loaded.errors
    for problem in loaded.problems:
        str(problem).encode("utf-8", "backslashreplace")


def log(data: bytes, folder: Path) -> list[LogLine]:
    """Any bytes as a day's event file: lines, and the places of what are none."""
    path = folder / "events-2026-03-05.jsonl"
    path.write_bytes(b"")
    follower = Follower(folder)
    path.write_bytes(data)
    for raw in data.splitlines():
        with contextlib.suppress(LineError):
            decode(raw)
    reader = EventReader(folder)
    forwards = list(reader.lines())
    skipped = len(reader.skipped)
    backwards = list(reader.backwards())
    assert len(forwards) == len(backwards)
    assert skipped * 2 == len(reader.skipped)
    followed = follower.poll()
    assert len(followed) <= len(forwards)
    for place in reader.skipped:
        str(place).encode("utf-8", "backslashreplace")
    return forwards


def recording(data: bytes, folder: Path) -> int:
    """Any bytes as a recording: events, and the damage between them; a refusal only as `RecordingError`."""
    path = folder / "readings-000001.rec"
    path.write_bytes(data)
    for listed in recordings(folder):
        str(listed.trouble).encode()
    try:
        found = Recording(path)
    except RecordingError:
        return 0
    count = 0
    for now_ms, event in found.events():
        assert isinstance(now_ms, int)
        _check_recorded(event)
        count += 1
    for tool in found.header.tools[:3]:
        found.readings(tool)
    with contextlib.suppress(RecordingError):
        _ = found.header.state
    for damage in found.damage:
        assert damage.length >= 0
    return count


def _check_recorded(event: ev.Event) -> None:
    if isinstance(event, ev.Reading | ev.CollectorReading):
        assert isinstance(event.value, int | float)


def resealed(data: bytes) -> bytes:
    """The same frames with checksums that are right again: what is spoilt gets past the first door."""
    return b"".join(_reseal(data))


def _reseal(data: bytes) -> Iterator[bytes]:
    at = 0
    while (at := data.find(b"GR", at)) >= 0 and at + 12 <= len(data):
        length = int.from_bytes(data[at + 4 : at + 8], "little")
        body = data[at + 12 : at + 12 + length]
        kind = data[at + 2]
        if kind in set(map(int, FrameKind)) and len(body) == length:
            yield frame(FrameKind(kind), body)
            at += 12 + length
        else:
            at += 2
