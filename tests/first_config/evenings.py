"""Many first evenings, judged: a sample for the tests, all of them for `python -m tests.long first_configs`."""

import asyncio
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from evening_judge import Role, roles, wrong_ones
from evening_over_broker import OverBroker
from made_shops import MadeShop, made_shop
from shop_owner import OwnersEvening
from support.mosquitto import Mosquitto
from two_days import Day, day

from gatehand.config import Loaded, load_text
from gatehand.first_config.answers import Kept
from gatehand.first_config.draft import Draft
from gatehand.first_config.evening import Evening
from gatehand.first_config.questions import pattern_of
from gatehand.first_config.script import OPENING

LEAST_RIGHT: Final = 0.95
"""Share of roles."""


@dataclass
class Result:
    """One evening. `roles`: those that the owner did not have to type. `day`: None where none was wanted."""

    seed: int
    text: str
    loaded: Loaded
    roles: Sequence[Role]
    wrong: Sequence[str]
    typed: Sequence[str]
    recognised: Sequence[str]
    units: Sequence[bool]
    asked: Sequence[str]
    seconds: float
    day: Day | None = None

    @property
    def faults(self) -> list[str]:
        """What is wrong, a line each."""
        found = [f"shop {self.seed}: {one.key}: {one.found or 'not found'}" for one in self.roles if not one.right]
        found += [f"shop {self.seed}: it has no {one}" for one in self.wrong]
        found += [f"shop {self.seed}: {one}" for one in self.loaded.errors]
        if self.day is not None and not self.day.same:
            found.append(f"shop {self.seed}: the day parts: {self.day.parting}")
        return found


class InMemoryKept(Kept):
    """Nothing of it reaches a disk."""

    def __init__(self) -> None:
        super().__init__(Path("never written"))

    def write(self) -> None:
        pass


def evening(seed: int, minutes: float, port: int = 1883) -> Result:
    """One under virtual time, and the day after it."""
    owner = OwnersEvening(made_shop(seed))
    owner.evening = Evening(owner, {"broker.port": str(port)}, InMemoryKept())
    return _judged(owner, asyncio.run(owner.evening.run()), minutes)


def evening_over_broker(seed: int, minutes: float) -> Result:
    """One over a broker of its own."""

    async def spent(port: int) -> tuple[OverBroker, Draft]:
        async with OverBroker(made_shop(seed), port) as owner:
            owner.evening = Evening(owner, {"broker.port": str(port)}, InMemoryKept())
            return owner, await owner.evening.run()

    with Mosquitto() as broker:
        return _judged(*asyncio.run(spent(broker.port)), minutes)


def _judged(owner: OwnersEvening, draft: Draft, minutes: float) -> Result:
    shop: MadeShop = owner.made
    text = draft.text(OPENING)
    loaded = load_text(text, Path("config.toml"), files=False)
    config = loaded.config
    found = [one for one in roles(shop, config) if one.key not in owner.typed_roles] if config is not None else []
    return Result(
        seed=shop.seed,
        text=text,
        loaded=loaded,
        roles=found,
        wrong=[] if config is None else list(wrong_ones(shop, config)),
        typed=list(owner.typed),
        recognised=owner.recognised,
        units=owner.units,
        asked=owner.asked,
        seconds=owner.time,
        day=day(shop, text, minutes) if config is not None and minutes > 0 else None,
    )


@dataclass
class Figures:
    """Of many."""

    shops: int = 0
    passed: int = 0
    roles: int = 0
    right: int = 0
    days: int = 0
    commands: int = 0
    typed: int = 0
    recognised: int = 0
    units: list[bool] = field(default_factory=list)
    asked: set[str] = field(default_factory=set)
    minutes: float = 0.0
    faults: list[str] = field(default_factory=list)

    def add(self, one: Result) -> None:
        """One more."""
        self.shops += 1
        self.passed += one.loaded.ok
        self.roles += len(one.roles)
        self.right += sum(role.right for role in one.roles)
        self.days += one.day is not None and one.day.same
        self.commands += 0 if one.day is None else len(one.day.true)
        self.typed += len(one.typed)
        self.recognised += len(one.recognised)
        self.units += one.units
        self.asked |= {pattern_of(key) or key for key in one.asked}
        self.minutes += one.seconds / 60
        self.faults += one.faults

    @property
    def share(self) -> float:
        """Of roles that are right."""
        return self.right / self.roles

    @property
    def text(self) -> str:
        """For a summary."""
        return (
            f"first configs: {self.shops} drawn shops: {self.right} of {self.roles} roles right ({self.share:.1%}), "
            f"besides {self.typed} typed from the papers and {self.recognised} known by their words; "
            f"{sum(self.units)} of {len(self.units)} units guessed right; {self.passed} pass check; on "
            f"{self.days} days the same commands ({self.commands}); {self.minutes / self.shops:.1f} min each"
        )


def many(
    seeds: Iterable[int], over_broker: Iterable[int], minutes: float, say: Callable[[str], None] = lambda _: None
) -> Figures:
    """Evenings under virtual time, and some over a broker; what is wrong is said as it comes."""
    figures, real = Figures(), frozenset(over_broker)
    for seed in seeds:
        one = evening_over_broker(seed, minutes) if seed in real else evening(seed, minutes)
        figures.add(one)
        for fault in one.faults:
            say(fault)
    return figures
