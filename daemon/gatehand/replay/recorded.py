"""A recording's rows as stretches: one column for each sensor, and everything else in its order. Opens no file."""

from array import array
from collections.abc import Iterator

from gatehand.journal.recording import Recording
from gatehand.journal.rows import OTHER, TICK, Rows
from gatehand.replay.tracks import Stretch, Timed, Track


def stretches(recording: Recording) -> Iterator[Stretch]:
    """The whole recording, some thousand rows at a time."""
    for rows in recording.columns():
        yield _stretch(rows, recording.streams.tools, recording.streams.collectors)


def _stretch(rows: Rows, tools: tuple[str, ...], collectors: tuple[str, ...]) -> Stretch:
    places: dict[int, list[int]] = {stream: [] for stream in set(rows.stream)}
    put = {stream: places[stream].append for stream in places}
    for row, stream in enumerate(rows.stream):
        put[stream](row)
    found = Stretch()
    for stream, at in places.items():
        if stream == OTHER:
            found.others = [Timed(rows.now_ms[row], row, rows.others[row]) for row in at]
            continue
        track = Track(
            array("q", map(rows.now_ms.__getitem__, at)), array("i", map(rows.value.__getitem__, at)), array("q", at)
        )
        if stream == TICK:
            found.ticks = track
        elif stream <= len(tools):
            found.tracks[tools[stream - 1]] = track
        else:
            found.currents[collectors[stream - 1 - len(tools)]] = track
    return found
