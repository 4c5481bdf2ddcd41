"""Events packed for keeping: stream by stream, times and numbers apart, byte by byte, then deflated.

Times are kept as what the step from one reading to the next differs from the stream's usual step; both columns as
unsigned numbers with the sign in the lowest bit, split into planes of like bytes. About 1.3 bytes a reading for a
noisy saw at 1 mA; plain deflate, because stronger packing gains 2 % and wants ten times its memory. Exact: the order
of events within one millisecond comes back too.
"""

import json
import struct
import sys
import zlib
from array import array
from collections import deque
from collections.abc import Callable, Sequence
from itertools import accumulate, pairwise

from gatehand.recording.format import decode_event, encode_event
from gatehand.recording.streams import OTHER, EventColumns

BLOCK_ROWS = 1 << 15
_BLOCK = struct.Struct("<qHII")
_STREAM = struct.Struct("<HIIII")
_WIDTH = 4
_SLICE = 2048
_MOST_TEXT = 1 << 26


def encode_block(rows: EventColumns, pause: Callable[[], None] = lambda: None) -> bytes:
    """The payload of a COLUMNS frame. Times must not run backwards. `pause` is called every fraction of a ms."""
    order: dict[int, list[int]] = {}
    for start in range(0, len(rows.stream), _SLICE):
        for row, stream in enumerate(rows.stream[start : start + _SLICE], start):
            order.setdefault(stream, []).append(row)
        pause()
    base = rows.now_ms[0] if rows.now_ms else 0
    table, blobs = b"", b""
    for stream, at in order.items():
        times, usual = _pack_times([rows.now_ms[row] for row in at], base)
        pause()
        values = b"" if stream == OTHER else _pack([rows.value[row] for row in at])
        pause()
        table += _STREAM.pack(stream, len(at), usual, len(times), len(values))
        blobs += times + values
    others = _deflate(b"\n".join(encode_event(rows.others[row]) for row in order.get(OTHER, ())))
    ties = _deflate(json.dumps(_ties(rows, {stream: at for at, stream in enumerate(order)}, pause)).encode())
    return _BLOCK.pack(base, len(order), len(others), len(ties)) + table + blobs + others + ties


def decode_block(payload: bytes | memoryview) -> EventColumns:
    """The rows that `encode_block` was given.

    Raises:
        ValueError, zlib.error, struct.error: The block says what this version does not know.
    """
    base, count, others_length, ties_length = _BLOCK.unpack_from(payload)
    at = _BLOCK.size + count * _STREAM.size
    now_ms: list[int] = []
    streams: list[int] = []
    value: list[int] = []
    for place in range(count):
        stream, rows, usual, times_length, values_length = _STREAM.unpack_from(
            payload, _BLOCK.size + place * _STREAM.size
        )
        if rows > BLOCK_ROWS:
            raise ValueError(f"{rows} rows in a block")
        times = _unpack_times(payload[at : at + times_length], base, usual)
        at += times_length
        values = _unpack(payload[at : at + values_length]) if values_length else [0] * rows
        at += values_length
        if len(times) != rows or len(values) != rows:
            raise ValueError(f"{len(times)} times and {len(values)} numbers for {rows} rows")
        now_ms += times
        value += values
        streams += [stream] * rows
    texts = _inflate(payload[at : at + others_length], _MOST_TEXT)
    ties = json.loads(_inflate(payload[at + others_length : at + others_length + ties_length], _MOST_TEXT))
    order = sorted(range(len(now_ms)), key=now_ms.__getitem__)
    _untie(order, streams, ties)
    found = EventColumns([now_ms[i] for i in order], [streams[i] for i in order], [value[i] for i in order])
    if texts:
        whole = iter(texts.split(b"\n"))
        found.others = {row: decode_event(next(whole)) for row, stream in enumerate(found.stream) if stream == OTHER}
    return found


def decode_stream(payload: bytes | memoryview, wanted: int) -> tuple[list[int], list[int]]:
    """Times and numbers of one stream of a block, without unpacking the others; empty when it is not there.

    Raises:
        ValueError, zlib.error, struct.error: As `decode_block`.
    """
    base, count, _, _ = _BLOCK.unpack_from(payload)
    at = _BLOCK.size + count * _STREAM.size
    for place in range(count):
        stream, _, usual, times_length, values_length = _STREAM.unpack_from(payload, _BLOCK.size + place * _STREAM.size)
        if stream == wanted:
            middle, end = at + times_length, at + times_length + values_length
            return _unpack_times(payload[at:middle], base, usual), _unpack(payload[middle:end])
        at += times_length + values_length
    return [], []


def _ties(rows: EventColumns, place: dict[int, int], pause: Callable[[], None]) -> list[tuple[int, list[int]]]:
    """Groups of one millisecond whose streams do not come in the block's order: first row, streams in their order."""
    found: list[tuple[int, list[int]]] = []
    ends = [row for row, (a, b) in enumerate(pairwise(rows.now_ms), 1) if a != b]
    pause()
    start = 0
    for end in (*ends, len(rows.now_ms)):
        if end - start > 1:
            streams = list(rows.stream[start:end])
            if any(place[a] > place[b] for a, b in pairwise(streams)):
                found.append((start, streams))
        start = end
    pause()
    return found


def _untie(order: list[int], streams: Sequence[int], ties: Sequence[tuple[int, list[int]]]) -> None:
    for start, wanted in ties:
        waiting: dict[int, deque[int]] = {}
        for row in order[start : start + len(wanted)]:
            waiting.setdefault(streams[row], deque()).append(row)
        order[start : start + len(wanted)] = [waiting[stream].popleft() for stream in wanted]


def _pack_times(times: Sequence[int], base: int) -> tuple[bytes, int]:
    steps = [b - a for a, b in pairwise([base, *times])]
    usual = sorted(steps)[len(steps) // 2]
    return _pack([step - usual for step in steps]), usual


def _unpack_times(packed: bytes | memoryview, base: int, usual: int) -> list[int]:
    return list(accumulate(_unpack(packed, usual), initial=base))[1:]


def _inflate(packed: bytes | memoryview, most: int) -> bytes:
    """Inflate, but no more than a sound block can hold.

    Raises:
        ValueError: There is more.
    """
    unpacker = zlib.decompressobj()
    found = unpacker.decompress(packed, most)
    if unpacker.unconsumed_tail:
        raise ValueError(f"more than {most} bytes in a part of a block")
    return found + unpacker.flush()


def _pack(numbers: Sequence[int]) -> bytes:
    signed = _little(array("I", [n << 1 if n >= 0 else ~(n << 1) for n in numbers])).tobytes()
    return _deflate(b"".join(signed[plane::_WIDTH] for plane in range(_WIDTH)))


def _unpack(packed: bytes | memoryview, plus: int = 0) -> list[int]:
    planes = _inflate(packed, BLOCK_ROWS * _WIDTH)
    rows = len(planes) // _WIDTH
    signed = bytearray(len(planes))
    for plane in range(_WIDTH):
        signed[plane::_WIDTH] = planes[plane * rows : (plane + 1) * rows]
    return [(n >> 1 ^ -(n & 1)) + plus for n in _little(array("I", bytes(signed)))]


def _little(numbers: "array[int]") -> "array[int]":
    if sys.byteorder == "big":
        numbers.byteswap()
    return numbers


def _deflate(data: bytes) -> bytes:
    packer = zlib.compressobj(9, zlib.DEFLATED, 15, 8, zlib.Z_FILTERED)
    return packer.compress(data) + packer.flush()
