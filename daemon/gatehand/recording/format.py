"""The first frame of a recording: everything that a replay needs to begin, and when it began.

A short binary part (so that a folder of thousands is searched by reading a few bytes each), then compressed JSON.
"""

import json
import struct
import zlib
from datetime import datetime, timedelta
from functools import cached_property
from typing import Any

from msgspec import Struct

from gatehand.recording import codec
from gatehand.times import EPOCH as EPOCH  # noqa: PLC0414 - until its readers have followed
from gatehand_rules import state as state_module
from gatehand_rules import words
from gatehand_rules.state import State

VERSION = 1
_FIXED = struct.Struct("<HqqqI")
PEEK = 12 + _FIXED.size
"""Bytes from the start of a file that `peek` wants."""
_CLASSES = codec.known(state_module, words)
_OPEN_END = -1


class RecordingError(Exception):
    """A file that is no recording, or one of another version; the text says which."""


class Head(Struct, frozen=True, dict=True):
    """What a recording says of itself. `wall_ms` and `mono_ms` are one moment on both clocks."""

    run: str
    wall_ms: int
    mono_ms: int
    end_ms: int | None
    """Monotonic time of the last event; None in a file that was not finished."""
    rows: int
    """Events in a finished file, 0 in another."""
    tools: tuple[str, ...]
    collectors: tuple[str, ...]
    config: str
    """The whole text of the config."""
    made_by: str
    """Version of Gatehand."""
    damaged: int
    """Bytes that were torn or spoilt when the file was finished."""
    state_json: codec.Json

    @cached_property
    def state(self) -> State:
        """The rules' state before the first event.

        Raises:
            RecordingError: This version's state has another shape.
        """
        try:
            found = codec.from_json(self.state_json, _CLASSES)
        except codec.CodecError as error:
            raise RecordingError(
                f"recorded by Gatehand {self.made_by}, whose state this version cannot take: {error}"
            ) from None
        if not isinstance(found, State):
            raise RecordingError(f"no state in the head, but {type(found).__name__}")
        return found

    def wall_at(self, now_ms: int) -> datetime:
        """The wall time of a moment in this recording, UTC."""
        return EPOCH + timedelta(milliseconds=self.wall_ms + now_ms - self.mono_ms)


class Peek(Struct, frozen=True):
    """The short part of a head."""

    wall_ms: int
    mono_ms: int
    end_ms: int | None
    rows: int


def encode_head(head: Head) -> bytes:
    """The payload of a HEAD frame."""
    end_ms = _OPEN_END if head.end_ms is None else head.end_ms
    body = {
        "run": head.run,
        "tools": head.tools,
        "collectors": head.collectors,
        "config": head.config,
        "made_by": head.made_by,
        "damaged": head.damaged,
        "state": head.state_json,
    }
    text = json.dumps(body, ensure_ascii=True, allow_nan=False, separators=(",", ":"))
    return _FIXED.pack(VERSION, head.wall_ms, head.mono_ms, end_ms, head.rows) + zlib.compress(text.encode(), 9)


def decode_head(payload: bytes | memoryview) -> Head:
    """The head in a HEAD frame.

    Raises:
        RecordingError: Another version, or not a head.
    """
    short = peek(payload)
    try:
        body: dict[str, Any] = json.loads(zlib.decompress(payload[_FIXED.size :]))
        return Head(
            run=str(body["run"]),
            wall_ms=short.wall_ms,
            mono_ms=short.mono_ms,
            end_ms=short.end_ms,
            rows=short.rows,
            tools=tuple(body["tools"]),
            collectors=tuple(body["collectors"]),
            config=body["config"],
            made_by=body["made_by"],
            damaged=body["damaged"],
            state_json=body["state"],
        )
    except (zlib.error, ValueError, KeyError, TypeError) as error:
        raise RecordingError(f"its head cannot be read ({type(error).__name__}: {error})") from None


def peek(payload: bytes | memoryview) -> Peek:
    """The short part of a head's payload, of which the rest may be missing.

    Raises:
        RecordingError: Another version, or too short.
    """
    if len(payload) < _FIXED.size:
        raise RecordingError("its head is cut short")
    version, wall_ms, mono_ms, end_ms, rows = _FIXED.unpack_from(payload)
    if version != VERSION:
        raise RecordingError(f"format version {version}; this version of Gatehand reads {VERSION}")
    return Peek(wall_ms, mono_ms, None if end_ms == _OPEN_END else end_ms, rows)
