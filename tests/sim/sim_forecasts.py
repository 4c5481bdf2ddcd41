"""What the daemon's statuses foretell on simulated days, looked at whenever it has shown something new."""

import json
from collections import Counter
from dataclasses import dataclass, field
from random import Random

from sim_play import shop_of
from sim_script import DAY, script
from sim_world import World
from support.quiet_world import Told

from gatehand.mqtt.transport import MessageKind, Outgoing
from gatehand.shell.engine import Engine
from gatehand_rules import State
from gatehand_rules.forecast import forecast


@dataclass
class Shown:
    """What the broker has of one daemon: the last status of each subject, and the state by which all were made."""

    statuses: dict[tuple[str, str], dict[str, object]] = field(default_factory=dict)
    state: State | None = None


@dataclass
class Judged:
    """What came of the forecasts of some days."""

    days: int = 0
    moments: int = 0
    told: Counter[str] = field(default_factory=Counter)
    """By what was foretold, how often it was looked at."""
    wrong: list[str] = field(default_factory=list)

    def add(self, more: "Judged") -> None:
        """These days too."""
        self.days += more.days
        self.moments += more.moments
        self.told += more.told
        self.wrong += more.wrong

    def __str__(self) -> str:
        kinds = ", ".join(f"{kind} {count}" for kind, count in sorted(self.told.items()))
        return f"{self.days} shop-days, {self.moments} moments, {kinds}; not come true: {len(self.wrong)}"


class Watch:
    """One simulated day, and a look at what its daemon foretells. `share`: of the moments that are looked at."""

    def __init__(self, seed: str, share: float, judged: Judged) -> None:
        self._drawn, self._seed = shop_of(seed), seed
        self._random, self._share, self._judged = Random(f"{seed}/forecasts"), share, judged
        self._shown: dict[int, Shown] = {}
        self._due: Engine | None = None
        self._before: tuple[object, ...] = ()

    def day(self, until: float = DAY) -> None:
        """Play it."""
        world = self._world = World(self._seed, self._drawn)
        world.shown = self.hear
        for each in script(self._drawn.config, Random(f"{self._seed}/script")):
            world.scheduler.at(world.day + each.at, lambda each=each: world.happen(each))  # type: ignore[misc]
        world.step_to(world.day + until)
        self._judged.days += 1

    def hear(self, engine: Engine, outgoing: Outgoing) -> None:
        """The daemon publishes."""
        kind, _, name = outgoing.topic.removeprefix(f"{engine.active.routes.base}/").partition("/")
        if outgoing.kind is not MessageKind.STATUS or kind not in {"tool", "gate", "collector"}:
            return
        shown = self._shown.setdefault(id(engine), Shown())
        shown.state = engine.state
        if outgoing.payload:
            shown.statuses[kind, name] = json.loads(outgoing.payload)
        else:
            shown.statuses.pop((kind, name), None)
        if self._due is None:  # once all of this instant is out
            self._due = engine
            self._world.scheduler.at(self._world.clocks.now, self._look)

    def _look(self) -> None:
        engine, self._due = self._due, None
        daemon = self._world.daemon
        if engine is None or daemon is None or daemon.engine is not engine or daemon.link is None:
            return
        shown = self._shown[id(engine)]
        told = Told(engine.active.shop, shown.statuses, self._world.clocks.ahead)
        if shown.state is None or told.key == self._before:
            return
        self._before = told.key
        if self._random.random() < self._share:
            self._judged.moments += 1
            forecast(engine.active.shop, shown.state, self._world.clocks.now)  # what it raises, the daemon would hide
            for wrong in told.judge(shown.state, self._world.clocks.now, self._judged.told):
                self._judged.wrong.append(f"{self._seed} at {self._world.clocks.now:.3f}: {wrong}")


def judge_days(seeds: list[str], share: float, until: float = DAY) -> Judged:
    """Play the days of these seeds."""
    judged = Judged()
    for seed in seeds:
        Watch(seed, share, judged).day(until)
    return judged
