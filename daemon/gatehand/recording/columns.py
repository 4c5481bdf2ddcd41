"""Events packed for keeping: stream by stream, times and numbers apart, byte by byte, then deflated.

Times are kept as what the step from one reading to the next differs from the stream's usual step; both columns as
unsigned numbers with the sign in the lowest bit, split into planes of like bytes. About 1.3 bytes a reading for a
noisy saw at 1 mA; plain deflate, because stronger packing gains 2 % and wants ten times its memory. Exact: the order
of events within one millisecond comes back too.
"""

import json
import struct
import zlib
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from itertools import accumulate, pairwise

from gatehand.recording.streams import OTHER, EventColumns

BLOCK_EVENTS = 1 << 15
_BLOCK = struct.Struct("<qHII")
_STREAM = struct.Struct("<HIIII")
_WIDTH = 4
_SLICE = 2048
_MOST_TEXT = 1 << 26


def encode_block(events: EventColumns, pause: Callable[[], None] = lambda: None) -> bytes:
    """The payload of a BLOCK frame. Times must not run backwards. `pause` is called every fraction of a ms."""
    order: dict[int, list[int]] = {}
    for start in range(0, len(events.stream), _SLICE):
        for row, stream in enumerate(events.stream[start : start + _SLICE], start):
            order.setdefault(stream, []).append(row)
        pause()
    base = events.now_ms[0] if events.now_ms else 0
    table, blobs = b"", b""
    for stream, at in order.items():
        times, usual = _pack_times([events.now_ms[row] for row in at], base)
        pause()
        values = b"" if stream == OTHER else _pack([events.value[row] for row in at])
        pause()
        table += _STREAM.pack(stream, len(at), usual, len(times), len(values))
        blobs += times + values
    others = _deflate(events.encode_others())
    ties = _deflate(json.dumps(_ties(events, {stream: at for at, stream in enumerate(order)}, pause)).encode())
    return _BLOCK.pack(base, len(order), len(others), len(ties)) + table + blobs + others + ties


def decode_block(payload: bytes | memoryview) -> EventColumns:
    """The events that `encode_block` was given.

    Raises:
        ValueError, zlib.error, struct.error: The block says what this version does not know.
    """
    now_ms: list[int] = []
    streams: list[int] = []
    value: list[int] = []
    for stream, times, values in _unpacked(payload):
        now_ms += times
        value += values
        streams += [stream] * len(times)
    _, _, others_length, ties_length = _BLOCK.unpack_from(payload)
    others, ties = len(payload) - others_length - ties_length, len(payload) - ties_length
    order = sorted(range(len(now_ms)), key=now_ms.__getitem__)
    _untie(order, streams, json.loads(_inflate(payload[ties:], _MOST_TEXT)))
    found = EventColumns([now_ms[i] for i in order], [streams[i] for i in order], [value[i] for i in order])
    found.decode_others(_inflate(payload[others:ties], _MOST_TEXT))
    return found


def decode_stream(payload: bytes | memoryview, wanted: int) -> tuple[list[int], list[int]]:
    """Times and numbers of one stream of a block, without unpacking the others; empty when it is not there.

    Raises:
        ValueError, zlib.error, struct.error: As `decode_block`.
    """
    return next(((times, values) for _, times, values in _unpacked(payload, wanted)), ([], []))


def _unpacked(payload: bytes | memoryview, wanted: int | None = None) -> Iterator[tuple[int, list[int], list[int]]]:
    """Each stream of a block, or the one that is wanted, with its times and numbers."""
    base, count, _, _ = _BLOCK.unpack_from(payload)
    at = _BLOCK.size + count * _STREAM.size
    for stream, events, usual, times_length, values_length in _STREAM.iter_unpack(payload[_BLOCK.size : at]):
        middle, end = at + times_length, at + times_length + values_length
        if wanted is None or stream == wanted:
            if events > BLOCK_EVENTS:
                raise ValueError(f"{events} events in a block")
            times = _unpack_times(payload[at:middle], base, usual)
            values = _unpack(payload[middle:end]) if values_length else [0] * events
            if len(times) != events or len(values) != events:
                raise ValueError(f"{len(times)} times and {len(values)} numbers for {events} events")
            yield stream, times, values
        at = end


def _ties(events: EventColumns, place: dict[int, int], pause: Callable[[], None]) -> list[tuple[int, list[int]]]:
    """Groups of one millisecond whose streams do not come in the block's order: first row, streams in their order."""
    found: list[tuple[int, list[int]]] = []
    ends = [row for row, (a, b) in enumerate(pairwise(events.now_ms), 1) if a != b]
    pause()
    start = 0
    for end in (*ends, len(events.now_ms)):
        if end - start > 1:
            streams = list(events.stream[start:end])
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
    unsigned = struct.pack(f"<{len(numbers)}I", *[n << 1 if n >= 0 else ~(n << 1) for n in numbers])
    return _deflate(b"".join(unsigned[plane::_WIDTH] for plane in range(_WIDTH)))


def _unpack(packed: bytes | memoryview, plus: int = 0) -> list[int]:
    planes = _inflate(packed, BLOCK_EVENTS * _WIDTH)
    count = len(planes) // _WIDTH
    unsigned = bytearray(len(planes))
    for plane in range(_WIDTH):
        unsigned[plane::_WIDTH] = planes[plane * count : (plane + 1) * count]
    return [(n >> 1 ^ -(n & 1)) + plus for n in struct.unpack(f"<{count}I", unsigned)]


def _deflate(data: bytes) -> bytes:
    packer = zlib.compressobj(9, zlib.DEFLATED, 15, 8, zlib.Z_FILTERED)
    return packer.compress(data) + packer.flush()
