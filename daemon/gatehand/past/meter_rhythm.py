"""How often a tool's meter spoke in what was recorded."""

from collections.abc import Sequence
from itertools import pairwise
from typing import Final

from gatehand.past.stretches import Track
from gatehand.rhythm import Rhythm, RhythmMeter

MOST: Final = 50_000
"""The newest readings: what a meter does now counts, and more would take seconds for each tool."""


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
