"""What the monitor remembers of each device: what it was told and what it said, nothing more."""

from collections import deque
from dataclasses import dataclass, field
from math import inf


@dataclass(slots=True)
class GateNotes:
    """A gate as seen from the daemon's chair."""

    told: str | None = None
    told_at: float = -inf
    """First telling of where it was told to go."""
    again_at: float = -inf
    said: str | None = None
    said_at: float = -inf
    live: bool = False
    void: bool = False
    """Told shut and not seen shut since: an "open" may be from before."""
    proven_once: bool = False
    """Proven open since it was told open."""
    hand_at: float = -inf
    """Last time a hand asked for air at it."""


@dataclass(slots=True)
class FanNotes:
    """A collector as seen from the daemon's chair."""

    told: bool | None = None
    sure: bool = False
    """The last "on" has surely arrived and still holds."""
    on_at: float = -inf
    off_at: float = -inf
    off_sure: bool = True
    """The last "off" was heard by a broker that answered since."""
    reported: bool | None = None
    drawing: bool | None = None
    off_since_seen: bool = False
    """Told off since it was last seen to stand."""
    starts: deque[float] = field(default_factory=deque)
    full: bool = False
    latched: bool = False
    latched_at: float = -inf
    since: float = -inf
    """When it came into the config of the daemon that runs."""
    from_before: bool = True
    """It may have turned when the daemon started, and was not off since."""
    dark_at: float = inf
    """When it was last seen to stand after it had turned."""
    adopting: bool = True
    """Since the daemon's start it was neither told anything nor given enough gates."""
    starved_since: float | None = None
    must_off_by: float = inf
    owes_off: bool = False
    """A stop was heard while nothing could be told."""
    adverse_at: float = -inf
    """When something was last heard that forbids what may be on its way out already."""
    excused_until: float = -inf
    """Told off for a reason that the budget of starts has no say in."""

    @property
    def seen_on(self) -> bool:
        """The switch or the current says that it turns."""
        return self.reported is True or self.drawing is True


@dataclass(slots=True)
class ToolNotes:
    """A tool as its readings show it."""

    low: bool = False
    """Its last telling reading was below its stop threshold."""
    rose_at: float | None = None
    """When it was last seen to go from idle to running, if that may still start something."""
    low_at: float | None = None
    heard_at: float = -inf
    gone: bool = False
    value: float | None = None
    """What it last said."""
    doubtful: bool = True
    """There was a silence, and nothing since has shown that what it says is new."""
    below_at: float | None = None
    """First live reading below the threshold since the silence."""
    above_at: float | None = None
    """First at or above it since the silence, nothing lower since."""
    maybe_at: float | None = None
    """A rise that counts from then on unless something contrary comes: a sensor that speaks only on change."""

    lags: deque[tuple[float, float]] = field(default_factory=deque)
    """When readings came, and by how much what they say of their time lay behind that."""

    def age(self, measured: float, now: float) -> float | None:
        """Seconds by which it lags behind the quickest of the last ten minutes; None while it is the first."""
        self.lags.append((now, now - measured))
        while self.lags[0][0] < now - 600:
            self.lags.popleft()
        if now < self.lags[0][0] + 1:
            return None
        return now - measured - min(lag for _, lag in self.lags)

    def doubt(self) -> None:
        """A silence: what comes next may have been held back."""
        self.doubtful, self.below_at, self.above_at, self.maybe_at = True, None, None, None

    def believed_at(self, now: float) -> bool:
        """Nothing contrary has come for long enough."""
        return self.maybe_at is not None and now >= self.maybe_at


@dataclass(slots=True)
class ResetNotes:
    """What was heard of resets at a collector."""

    asked_at: float = -inf
    released: bool = False
    pressed_at: float | None = None


@dataclass(frozen=True, slots=True)
class Breach:
    """An invariant that did not hold."""

    at: float
    rule: str
    text: str

    def __str__(self) -> str:
        """For the history."""
        return f"{self.at:.3f} {self.rule}: {self.text}"


@dataclass(slots=True)
class Promise:
    """Something that must be so by an instant."""

    since: float
    by: float
    rule: str
    fan: str
    count: int
