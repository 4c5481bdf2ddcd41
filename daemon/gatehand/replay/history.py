"""A window of the recording through the rules again: as it was, and beside it through a changed shop.

Each file of the recording replays by itself from the state in its header, to the very decisions that were taken. The
changed run begins with the first file's state carried over by name (as a changed config is in a running daemon) and
goes on through the files as long as nothing is missing between them; after a gap, and at a daemon's start, it takes
the recorded state again.
"""

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import Final, TypeAlias

from gatehand.past.player import RECORDED, ChangedPlayer, Player
from gatehand.past.recordings import of_another_measure, offset_ms, opened, recorded_shop
from gatehand.past.replay_devices import NEVER
from gatehand.past.stretches import stretches
from gatehand.recording.format import RecordingError
from gatehand.recording.recording import Recording, recordings
from gatehand.times import to_ms
from gatehand_rules import Outcome, Shop
from gatehand_rules.events import Event

PATIENCE_MS: Final = 100
"""A recorded item this soon after a deadline takes it along, as the daemon's own timer was late."""
_WHOLE: Final = frozenset({"full", "config", "clock"})
"""Ends of a file after which the next one goes on without a gap."""


OutcomeListener: TypeAlias = Callable[[int, Outcome], None]
"""Called with wall ms and an outcome that came to something."""


@dataclass(slots=True)
class History:
    """What was read on the way."""

    files: int = 0
    readings: int = 0
    first_ms: int | None = None
    last_ms: int | None = None
    """Wall time of the first and last item."""
    gaps: int = 0
    """Places where the changed run took the recorded state again."""
    troubles: list[str] = field(default_factory=list)


def replay(
    folder: Path,
    heard: OutcomeListener,
    *,
    changed: Shop | None = None,
    changed_heard: OutcomeListener | None = None,
    since: datetime | None = None,
    until: datetime | None = None,
    progress: Callable[[int], None] = lambda _readings: None,
) -> History:
    """Replay the recording of a window. `progress` hears the number of readings so far.

    What happened before `since` within the first file is played, for the state's sake, but not heard.
    """
    history = History()
    shops: dict[str, Shop] = {}
    window = range(0 if since is None else to_ms(since), NEVER if until is None else to_ms(until))
    runs = _Runs(history, window, heard, changed, changed_heard or (lambda _ms, _outcome: None))
    for recording in opened(recordings(folder, since, until), history.troubles):
        text = recording.header.config
        try:
            shops[text] = shops.get(text) or recorded_shop(text, recording.path)
            runs.play(recording, shops[text], progress)
        except RecordingError as error:
            history.troubles.append(str(error))
            runs.goes_on = None
    return history


class _Runs:
    """The two runs on their way through the files."""

    def __init__(
        self,
        history: History,
        window: range,
        heard: OutcomeListener,
        changed: Shop | None,
        changed_heard: OutcomeListener,
    ) -> None:
        """`window`: the wall ms that are heard."""
        self.goes_on: str | None = None
        """The run of the daemon from whose last file the next one goes on."""
        self._history = history
        self._window = window
        self._heard = heard
        self._changed = changed
        self._changed_heard = changed_heard
        self._beside: ChangedPlayer | None = None
        self._wall_ms = 0

    def play(self, recording: Recording, shop: Shop, progress: Callable[[int], None]) -> None:
        """Play one file in both runs."""
        header, history = recording.header, self._history
        self._wall_ms = offset_ms(recording)
        recorded = Player(shop, header.state, partial(self._hear, self._heard), patience_ms=RECORDED)
        if self._changed is not None:
            self._begin_changed(recording, shop, self._changed)
        history.files += 1
        for stretch in stretches(recording):
            first, last = stretch.first_ms, stretch.last_ms
            if first is None or last is None or first + self._wall_ms >= self._window.stop:
                break
            commands = recorded.play(stretch)
            if self._beside is not None:
                self._beside.follow(stretch, commands)
            history.readings += stretch.readings
            if history.first_ms is None:
                history.first_ms = max(first + self._wall_ms, self._window.start)
            history.last_ms = min(last + self._wall_ms, self._window.stop)
            progress(history.readings)
        self.goes_on = header.run if recording.ended in _WHOLE and not recording.damage else None

    def _begin_changed(self, recording: Recording, shop: Shop, changed: Shop) -> None:
        header = recording.header
        if self._beside is not None:
            if self.goes_on == header.run and shop == self._beside.recorded:
                return
            self._history.gaps += 1
        heard = partial(self._hear, self._changed_heard)
        self._beside = ChangedPlayer(shop, changed, header.state, header.mono_ms, heard, patience_ms=PATIENCE_MS)
        unread = (of_another_measure(tool, *measures) for tool, measures in sorted(self._beside.unread.items()))
        self._history.troubles += [text for text in unread if text not in self._history.troubles]

    def _hear(self, heard: OutcomeListener, ms: int, _event: Event, outcome: Outcome) -> None:
        if ms + self._wall_ms in self._window:
            heard(ms + self._wall_ms, outcome)
