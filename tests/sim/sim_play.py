"""One seed, one shop-day: drawn, played, judged. The same seed always gives the same day."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from random import Random

from sim_draw import Drawn, draw
from sim_happening import Happening
from sim_liveness import liveness
from sim_logcheck import check
from sim_script import DAY, script
from sim_world import World
from support.monitor_notes import Breach


@dataclass
class Result:
    """What a day came to."""

    seed: str
    breaches: list[Breach]
    seconds: float
    events: int
    commands: int
    happened: Counter[str]
    unsafe: dict[str, float]
    turning: float
    unexplained: list[tuple[float, float, str]]
    late_acts: list[float]
    cpu: float = 0.0
    """Seconds of processor time, where somebody has measured it."""
    history: list[tuple[float, str]] = field(default_factory=list)
    told: list[tuple[float, str, str]] = field(default_factory=list)
    log: list[str] = field(default_factory=list)


def shop_of(seed: str) -> Drawn:
    """The shop that a seed draws."""
    return draw(Random(f"{seed}/config"))


def play(seed: str, happenings: Sequence[Happening] | None = None, drawn: Drawn | None = None) -> Result:
    """Play a day. `happenings` None: what the seed draws; else these, as the shrinking wants them."""
    drawn = drawn or shop_of(seed)
    world = World(seed, drawn)
    for each in script(drawn.config, Random(f"{seed}/script")) if happenings is None else happenings:
        world.scheduler.at(world.day + each.at, lambda each=each: world.happen(each))  # type: ignore[misc]
    world.step_to(world.day + DAY)
    found = list(world.broken)
    if not found:
        found = liveness(world, Random(f"{seed}/liveness"))
        found = [*world.broken, *found]
    if not found:
        found = check(world.disk)
    return result(seed, world, found)


def result(seed: str, world: World, found: list[Breach]) -> Result:
    """Gather what is to be reported."""
    daemon = world.daemon
    late = [*world.late_acts, *(daemon.late_acts if daemon is not None else ())]
    return Result(
        seed,
        found,
        world.clocks.now - world.day,
        world.events,
        world.monitor.checked,
        world.happened + Counter(world.broker.counted.faults),
        dict(world.truth.seconds),
        world.truth.turning,
        world.truth.unexplained,
        late,
        history=list(world.history),
        told=world.told,
        log=log_tail(world) if found else [],
    )


def log_tail(world: World, lines: int = 60) -> list[str]:
    """The last lines of the daemon's own log."""
    events = sorted(path for path in world.disk.files if path.name.startswith("events-"))
    text = b"".join(bytes(world.disk.files[path]) for path in events).decode(errors="replace")
    return text.splitlines()[-lines:]
