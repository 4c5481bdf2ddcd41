"""What a recording's file looks like: frames that each prove themselves whole, the first of them its header.

A frame is a mark, a kind, the length and the CRC-32 of its payload, then the payload: a torn one costs only itself. The
header holds what a replay needs to begin: a short binary part (so that a folder of thousands is searched by reading a
few bytes each), then compressed JSON. Records of the rules are JSON as well, each with its class's name as its `type`.
What the other payloads mean stands in `streams` and `columns`.
"""

import json
import math
import struct
import zlib
from collections.abc import Iterator
from enum import IntEnum
from functools import cached_property
from typing import Any

import msgspec
from msgspec import Struct, field, to_builtins
from msgspec.structs import astuple

from gatehand_rules import Alarm, State
from gatehand_rules.events import Event

FORMAT = 2
OLDEST_FORMAT = 1
"""Wrote records as `{"Class": {field: value}}`, enums as `{"Class": word}`, infinity as text, alarms by their ids.

It is still read."""

_FRAME = struct.Struct("<2sBxII")
_MARK = b"GR"
_SHORT = struct.Struct("<HqqqI")
FRAME_BYTES = _FRAME.size
"""Of a frame's own, before its payload."""
SHORT_HEADER_BYTES = FRAME_BYTES + _SHORT.size
"""Bytes from the start of a file that `short_header` wants."""
SPOILT = (ValueError, struct.error, zlib.error, StopIteration, LookupError, TypeError, OverflowError, RecursionError)
"""What a frame leads to whose checksum is right and whose content is not."""
_OPEN_END = -1
_ENCODER = msgspec.json.Encoder()
_DECODER: msgspec.json.Decoder[Event] = msgspec.json.Decoder(Event)


class RecordingError(Exception):
    """A file that is no recording, or one of another version; the text says which."""


class FrameKind(IntEnum):
    """What a frame holds."""

    HEADER = 1
    """What a replay needs to begin; the first frame of a file."""
    LIVE = 2
    """Events as they came."""
    BLOCK = 3
    """Events of a finished file, column by column, compressed."""
    END = 4
    """The file was finished; why."""


_KINDS = frozenset(map(int, FrameKind))


class Damage(Struct, frozen=True):
    """Bytes of a file that are no whole frame."""

    offset: int
    length: int
    why: str


def frame(kind: FrameKind, payload: bytes) -> bytes:
    """One frame."""
    return _FRAME.pack(_MARK, kind, len(payload), zlib.crc32(payload)) + payload


def frames(data: bytes) -> Iterator[tuple[FrameKind, memoryview] | Damage]:
    """The frames of a file's bytes in order, and the damage between them."""
    view = memoryview(data)
    at = bad_from = 0
    while at < len(data):
        found = _frame_at(view, at)
        if found is None:
            following = data.find(_MARK, at + 1)
            at = following if following >= 0 else len(data)
            continue
        if bad_from < at:
            yield Damage(bad_from, at - bad_from, "spoilt")
        kind, payload, at = found
        bad_from = at
        yield kind, payload
    if bad_from < len(data):
        yield Damage(bad_from, len(data) - bad_from, "cut short")


def _frame_at(view: memoryview, at: int) -> tuple[FrameKind, memoryview, int] | None:
    start = at + _FRAME.size
    if start > len(view):
        return None
    mark, kind, length, crc = _FRAME.unpack_from(view, at)
    end = start + length
    if mark != _MARK or kind not in _KINDS or end > len(view):
        return None
    payload = view[start:end]
    return (FrameKind(kind), payload, end) if zlib.crc32(payload) == crc else None


class ShortHeader(Struct, frozen=True, kw_only=True):
    """When a recording began and ended. `wall_ms` and `mono_ms` are one moment on both clocks."""

    wall_ms: int
    mono_ms: int
    end_ms: int | None = None
    """Monotonic time of the last event; None in a file that was not finished."""
    events: int = field(default=0, name="rows")
    """Events in a finished file, 0 in another."""


class Header(ShortHeader, frozen=True, kw_only=True, dict=True):
    """What a recording says of itself."""

    run: str
    tools: tuple[str, ...]
    collectors: tuple[str, ...]
    config: str
    """The whole text of the config."""
    made_by: str
    """Version of Gatehand."""
    damaged: int = 0
    """Bytes that were torn or spoilt when the file was finished."""
    state_json: Any = field(name="state")
    """The state as plain JSON values."""

    @cached_property
    def state(self) -> State:
        """The rules' state before the first event.

        Raises:
            RecordingError: This version's state has another shape.
        """
        try:
            return msgspec.convert(self.state_json, State)
        except msgspec.ValidationError as error:
            raise RecordingError(
                f"recorded by Gatehand {self.made_by}, whose state this version cannot take: {error}"
            ) from None


def encode_header(header: Header) -> bytes:
    """The payload of a HEADER frame."""
    end_ms = _OPEN_END if header.end_ms is None else header.end_ms
    short = _SHORT.pack(FORMAT, header.wall_ms, header.mono_ms, end_ms, header.events)
    return short + zlib.compress(json.dumps(to_builtins(header), separators=(",", ":")).encode(), 9)


def decode_header(payload: bytes | memoryview) -> Header:
    """The header in a HEADER frame.

    Raises:
        RecordingError: Another version, or no header.
    """
    short = short_header(payload)
    try:
        body = json.loads(zlib.decompress(payload[_SHORT.size :]))
        if _SHORT.unpack_from(payload)[0] == OLDEST_FORMAT:
            body["state"] = state = _from_format_1(body["state"])
            state["alarms"] = [to_builtins(alarm) for one in state["alarms"] if (alarm := Alarm.of(one)) is not None]
        return msgspec.convert({**body, **to_builtins(short)}, Header)
    except (zlib.error, ValueError, KeyError, TypeError, RecursionError) as error:
        raise RecordingError(f"its header cannot be read ({type(error).__name__}: {error})") from None


def opened(data: bytes) -> tuple[Header, Iterator[tuple[FrameKind, memoryview] | Damage]]:
    """A recording's header, and the frames after it.

    Raises:
        RecordingError: No recording, or of another version.
    """
    rest = frames(data)
    first = next(rest, None)
    if not isinstance(first, tuple) or first[0] is not FrameKind.HEADER:
        raise RecordingError("no recording, or its header is spoilt")
    return decode_header(first[1]), rest


def short_header(payload: bytes | memoryview) -> ShortHeader:
    """The short part of a header's payload, of which the rest may be missing.

    Raises:
        RecordingError: Another version, or too short.
    """
    if len(payload) < _SHORT.size:
        raise RecordingError("its header is cut short")
    version, wall_ms, mono_ms, end_ms, events = _SHORT.unpack_from(payload)
    if not OLDEST_FORMAT <= version <= FORMAT:
        raise RecordingError(f"format version {version}; this version of Gatehand reads {OLDEST_FORMAT} to {FORMAT}")
    return ShortHeader(wall_ms=wall_ms, mono_ms=mono_ms, end_ms=None if end_ms == _OPEN_END else end_ms, events=events)


def encode_event(event: Event) -> bytes:
    """An event as one line of JSON. Half a surrogate pair, as a payload may hold, becomes an escape."""
    try:
        return _ENCODER.encode(event)
    except UnicodeEncodeError:
        return json.dumps(to_builtins(event), separators=(",", ":")).encode()


def decode_event(raw: bytes) -> Event:
    """The event of `encode_event`, also as format 1 wrote it.

    Raises:
        ValueError: It names what this version does not know, or a field holds what it cannot hold.
    """
    try:
        return _DECODER.decode(raw)
    except msgspec.DecodeError:
        event: Event = msgspec.convert(_from_format_1(json.loads(raw)), Event)
    if not all(math.isfinite(value) for value in astuple(event) if isinstance(value, float)):
        raise ValueError(f"no finite number in {event!r:.80}")
    return event


def _from_format_1(found: Any) -> Any:  # noqa: ANN401 - plain JSON values
    """What format 1 wrote in the shape of today; what has that already as it is."""
    match found:
        case list():
            return [_from_format_1(item) for item in found]
        case {"float": str(number)}:
            return float(number)
        case dict() if len(found) == 1 and "type" not in found:
            ((name, body),) = found.items()
            if isinstance(body, dict):
                return {"type": name, **{key: _from_format_1(value) for key, value in body.items()}}
            return _from_format_1(body)  # an enum's word, a set's members
        case _:
            return found
