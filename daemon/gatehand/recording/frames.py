"""The container of a recording: frames that each prove themselves whole, so that a torn one costs only itself.

A frame is a mark, a kind, the length and the CRC-32 of its payload, then the payload. What payloads mean stands in
`head`, `rows` and `columns`.
"""

import struct
import zlib
from collections.abc import Iterator
from enum import IntEnum

from msgspec import Struct

_HEADER = struct.Struct("<2sBxII")
_MARK = b"GR"


class Kind(IntEnum):
    """What a frame holds."""

    HEAD = 1
    """What a replay needs to begin; the first frame of a file."""
    ROWS = 2
    """Events as they came."""
    COLUMNS = 3
    """Events of a finished file, column by column, compressed."""
    END = 4
    """The file was finished; why."""


_KINDS = frozenset(map(int, Kind))


class Damage(Struct, frozen=True):
    """Bytes of a file that are no whole frame."""

    offset: int
    length: int
    why: str


def frame(kind: Kind, payload: bytes) -> bytes:
    """One frame."""
    return _HEADER.pack(_MARK, kind, len(payload), zlib.crc32(payload)) + payload


def frames(data: bytes) -> Iterator[tuple[Kind, memoryview] | Damage]:
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


def first_frame(data: bytes) -> tuple[Kind, memoryview] | None:
    """The frame at the very start, if it is whole."""
    found = _frame_at(memoryview(data), 0)
    return None if found is None else found[:2]


def _frame_at(view: memoryview, at: int) -> tuple[Kind, memoryview, int] | None:
    start = at + _HEADER.size
    if start > len(view):
        return None
    mark, kind, length, crc = _HEADER.unpack_from(view, at)
    end = start + length
    if mark != _MARK or kind not in _KINDS or end > len(view):
        return None
    payload = view[start:end]
    return (Kind(kind), payload, end) if zlib.crc32(payload) == crc else None
