"""How often a tool's meter spoke in what was recorded."""

from array import array
from collections.abc import Sequence
from itertools import pairwise
from typing import Final

from gatehand.config import Config, load_text
from gatehand.config.meters import meter_key, meters
from gatehand.past.recordings import opened
from gatehand.past.stretches import Track
from gatehand.recording.recording import Listed, Recording
from gatehand.rhythm import Rhythm, RhythmMeter

MOST: Final = 50_000
"""The newest readings: what a meter does now counts, and more would take seconds for each tool."""
_FILES: Final = 4
"""The newest of a recording that are looked at, an hour each at the most."""


def rhythm_of(tracks: Sequence[Track]) -> Rhythm | None:
    """Of unbroken tracks of one meter, oldest first; None: too little was recorded."""
    meter, left, newest = RhythmMeter(), MOST, list[Track]()
    for track in reversed(tracks):
        newest.insert(0, track.part(max(0, len(track) - left), len(track)))
        if (left := left - len(track)) <= 0:
            break
    for track in newest:
        meter.pause()
        if len(track):
            meter.add(track.ms[0] / 1000, changed=True)
        for ms, (before, value) in zip(track.ms[1:], pairwise(track.ma), strict=True):
            meter.add(ms / 1000, changed=value != before)
    return meter.rhythm


def recorded_rhythms(files: Sequence[Listed], config: Config) -> dict[str, Rhythm]:
    """By its key, how often each meter of the config spoke in the newest files of a recording."""
    tracks: dict[str, list[Track]] = {meter_key(source): [] for _, source in meters(config).values()}
    for recording in opened(list(files)[-_FILES:]):
        for tool, key in _keys_then(recording).items():
            times, values = recording.readings(tool) if key in tracks else ([], [])
            if times:
                tracks[key].append(Track(array("q", times), array("i", values)))
    found = {key: rhythm_of(each) for key, each in tracks.items()}
    return {key: rhythm for key, rhythm in found.items() if rhythm is not None}


def _keys_then(recording: Recording) -> dict[str, str]:
    """By tool, the key of the meter that it had when that file was recorded."""
    then = load_text(recording.header.config, recording.path, files=False).config
    return {} if then is None else {name: meter_key(source) for name, (_, source) in meters(then).items()}
