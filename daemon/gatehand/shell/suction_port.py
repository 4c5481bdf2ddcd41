"""What the engine asks of whoever watches the suctions; and who does where no collector has a sensor.

The watcher itself is loaded with the first sensor: a shop without one does without its half a megabyte.
"""

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Protocol, TypeAlias

from msgspec import Struct

from gatehand.shell.active_config import ActiveConfig
from gatehand.shell.ports import RecorderPort
from gatehand.shell.suction_watch import SuctionHeard
from gatehand_rules import State

if TYPE_CHECKING:
    from gatehand.shell.engine import Engine


Elsewhere: TypeAlias = Callable[[Callable[[], None]], None]
"""Has something done outside the control loop, soon."""


class Judgement(Struct, frozen=True):
    """What a baseline was taken for, or why none was: the answer to whoever asked."""

    ok: bool
    text: str
    facts: Mapping[str, object] = {}


class SuctionsPort(Protocol):
    """A watcher. None of it moves anything, and none of it raises."""

    def swap(self, active: ActiveConfig) -> None:
        """Another config."""

    def note_void(self) -> None:
        """Say which baselines no longer count."""

    def connected(self, *, up: bool) -> None:
        """The broker is there, or gone."""

    def interrupt(self, why: str) -> None:
        """What was heard so far says nothing any more."""

    def record(self, recorder: RecorderPort, heard: SuctionHeard, now: float, state: State) -> None:
        """Keep a reading beside the events of the rules."""

    def take(self, heard: SuctionHeard, now: float) -> None:
        """A reading."""

    def look(self, state: State, now: float) -> None:
        """After a step."""

    def beat(self, now: float) -> tuple[tuple[str, str], ...]:
        """Once a second. Gives the collectors whose status says something else now."""

    def shown(self, kind: str, name: str) -> Mapping[str, object]:
        """For a status."""

    def take_baseline(self, name: str) -> Judgement:
        """What it reads now is what it should be from now on."""


class NoSuctions:
    """Of a shop without a sensor: nothing to watch."""

    def swap(self, active: ActiveConfig) -> None:
        """Nothing."""

    def note_void(self) -> None:
        """Nothing."""

    def connected(self, *, up: bool) -> None:
        """Nothing."""

    def interrupt(self, why: str) -> None:
        """Nothing."""

    def record(self, recorder: RecorderPort, heard: SuctionHeard, now: float, state: State) -> None:
        """Nothing."""

    def take(self, heard: SuctionHeard, now: float) -> None:
        """Nothing."""

    def look(self, state: State, now: float) -> None:
        """Nothing."""

    def beat(self, now: float) -> tuple[tuple[str, str], ...]:
        """No status says anything of it."""
        del now
        return ()

    def shown(self, kind: str, name: str) -> Mapping[str, object]:
        """Nothing."""
        del kind, name
        return {}

    def take_baseline(self, name: str) -> Judgement:
        """There is nothing to take it from."""
        return Judgement(False, f"collector {name} has no suction sensor in the config")


def suctions_for(
    active: ActiveConfig, engine: "Engine", elsewhere: Elsewhere | None, now: SuctionsPort | None = None
) -> SuctionsPort:
    """The watcher for a config: the one there is `now`, or the first that is needed. May fail as any loading may."""
    if isinstance(now, NoSuctions | None) and any(fan.suction is not None for fan in active.config.collector.values()):
        from gatehand.shell.expected_suction import in_a_thread
        from gatehand.shell.suctions import Suctions

        watcher = Suctions(active, engine, elsewhere or in_a_thread)
        watcher.connected(up=engine.state.connected if now is not None else False)
        return watcher
    if now is None:
        return NoSuctions()
    now.swap(active)
    return now
