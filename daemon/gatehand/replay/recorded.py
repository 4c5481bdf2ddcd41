"""A recording's rows as stretches: one column for each sensor, and everything else in its order. Opens no file."""

from array import array
from collections.abc import Iterator

from gatehand.recording.recording import Recording
from gatehand.recording.streams import OTHER, TICK, Rows
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
        elif stream == TICK:
            found.ticks = _track(rows, at)
        elif len(tools) < stream <= len(tools) + len(collectors):
            found.currents[collectors[stream - 1 - len(tools)]] = _track(rows, at)
    for place, tool in enumerate(tools):
        plain, young = (places.get(stream, []) for stream in (1 + place, 1 + len(tools) + len(collectors) + place))
        if plain or young:
            found.tracks[tool] = _track(rows, sorted(plain + young) if plain and young else plain or young)
            marks = set(young)
            found.tracks[tool].young = array("b", (row in marks for row in found.tracks[tool].order) if young else ())
    return found


def _track(rows: Rows, at: list[int]) -> Track:
    return Track(
        array("q", map(rows.now_ms.__getitem__, at)), array("i", map(rows.value.__getitem__, at)), array("q", at)
    )
