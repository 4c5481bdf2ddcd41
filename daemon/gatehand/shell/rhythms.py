"""How often each tool's meter speaks: seen live, shown in its tool's status, kept beyond the daemon's end.

Nothing is decided by it, and the rules never hear of it: a replay must agree. What is shown changes only when its words
do, so that it is seldom published.
"""

from collections.abc import Mapping

from msgspec import to_builtins

from gatehand.config.meters import meter_key, meters
from gatehand.config.signals import TopicSource
from gatehand.rhythm import NEAR, Rhythm, RhythmMeter
from gatehand.shell.active_config import ActiveConfig
from gatehand.shell.notebook import Notebook
from gatehand_rules import events as ev

_LOOK_EVERY = 5
"""Beats between two looks."""
_ENOUGH = 50
"""Messages of this run that outweigh what an earlier one has seen."""
_MANY_TIMES = 10
"""What is known is kept and shown anew when it rests on so many times as many messages."""


class _Meter:
    """One meter as it is heard in this run."""

    __slots__ = ("key", "seen", "topic", "value")

    def __init__(self, source: TopicSource) -> None:
        self.key = meter_key(source)
        self.topic = source.topic
        self.seen = RhythmMeter()
        self.value: float | None = None


class Rhythms:
    """The meters of one shop."""

    def __init__(self, active: ActiveConfig, notebook: Notebook) -> None:
        self._notebook = notebook
        self._meters: dict[str, _Meter] = {}
        self._beats = 0
        self._kept_words: set[str] = set()
        """Topics on which a word that the broker keeps has come on this connection."""
        self.swap(active)

    def swap(self, active: ActiveConfig) -> None:
        """Another config: the meters that stay go on, also under another tool's name."""
        was = {meter.key: meter for meter in self._meters.values()}
        now = {name: _Meter(source) for name, (_, source) in meters(active.config).items()}
        self._meters = {name: was.get(meter.key, meter) for name, meter in now.items()}

    def take(self, event: ev.Event, at: float, *, old: bool) -> None:
        """An event of a device, received at monotonic `at`. `old`: it waited in a loop that stood still."""
        if type(event) is ev.Reading:
            meter = self._meters[event.tool]
            if event.retained:
                self._kept_words.add(meter.topic)
            elif not old:
                meter.seen.add(at, changed=event.value != meter.value)
                meter.value = event.value
        elif type(event) is ev.DeviceOnline and event.kind == "tool" and event.name in self._meters:
            self._meters[event.name].seen.pause()

    def settled(self) -> None:
        """What the broker keeps has come: of whom it keeps a word, and of whom none, is known."""
        for meter in self._meters.values():
            self._notebook.note_retained(meter.topic, meter.topic in self._kept_words)
        self._kept_words.clear()

    def pause(self) -> None:
        """The broker was away, or the loop stood still: the gap until the next message is nobody's rhythm."""
        for meter in self._meters.values():
            meter.seen.pause()

    def beat(self) -> tuple[tuple[str, str], ...]:
        """Once a second. Gives the tools whose status says something else now."""
        self._beats += 1
        if self._beats % _LOOK_EVERY:
            return ()
        changed = []
        for name, meter in self._meters.items():
            found, known = meter.seen.rhythm, self._notebook.rhythm(meter.key)
            if found is not None and _is_news(found, known):
                self._notebook.note_rhythm(meter.key, found)
                changed.append(("tool", name))
        return tuple(changed)

    def shown(self, kind: str, name: str) -> Mapping[str, object]:
        """For a tool's status: `{"rhythm": {...}}` once it is known, else nothing."""
        meter = self._meters.get(name) if kind == "tool" else None
        known = None if meter is None else self._notebook.rhythm(meter.key)
        return {} if known is None else {"rhythm": to_builtins(known)}


def _is_news(found: Rhythm, known: Rhythm | None) -> bool:
    """Whether what was found is to be shown and kept in place of what is known."""
    if known is None:
        return True
    same = (found.steady, found.on_change) == (known.steady, known.on_change)
    near = not found.steady or known.every / NEAR <= found.every <= known.every * NEAR
    if same and near:
        return found.count >= _MANY_TIMES * known.count or found.longest > 2 * known.longest
    return found.count >= min(_ENOUGH, known.count)
