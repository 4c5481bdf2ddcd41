"""From a failing day to its shortest story: leaves out what the breach does not need, greedily, and tells the rest."""

from collections.abc import Callable
from random import Random

from sim_happening import Happening
from sim_play import Result, play, shop_of
from sim_script import script

BUDGET = 120
"""Days that may be played for it."""
TOLD = 60
"""Lines of the history, and of the log, that are shown."""


def shrink(seed: str, play_day: Callable[..., Result] = play, budget: int = BUDGET) -> tuple[list[Happening], Result]:
    """The happenings that still break the same rule, none of which can be left out, and the day with just those."""
    drawn = shop_of(seed)
    happenings = script(drawn.config, Random(f"{seed}/script"))
    best = play_day(seed, happenings, drawn)
    if not best.breaches:
        return happenings, best
    rule = best.breaches[0].rule
    left = budget

    def breaks(kept: list[Happening]) -> Result | None:
        nonlocal left
        left -= 1
        found = play_day(seed, kept, drawn)
        return found if found.breaches and found.breaches[0].rule == rule else None

    kept = happenings
    if (until := best.breaches[0].at) > 0:
        sooner = [each for each in happenings if each.at + 1000 <= until]
        if (found := breaks(sooner)) is not None:
            kept, best = sooner, found
    size = max(1, len(kept) // 2)
    while size >= 1 and left > 0:
        at, smaller = 0, False
        while at < len(kept) and left > 0:
            without = kept[:at] + kept[at + size :]
            found = breaks(without)
            if found is None:
                at += size
            else:
                kept, best, smaller = without, found, True
        size = size // 2 if not smaller or size > 1 else size
        if size == 1 and not smaller:
            break
    return kept, best


def story(seed: str, kept: list[Happening], found: Result, command: str) -> str:
    """What a person reads: the shop, what happened, what was heard and told, what broke, how to repeat it."""
    shop = shop_of(seed).loaded.text.strip()
    last = found.breaches[0].at if found.breaches else found.seconds
    heard = [f"{at:12.3f}  {text}"[:160] for at, text in found.history if at <= last + 0.001][-TOLD:]
    parts = [
        f"seed {seed}: {found.breaches[0] if found.breaches else 'nothing broke'}",
        "the shop:\n" + "\n".join(f"    {line}" for line in shop.splitlines()),
        f"what happened ({len(kept)} things, seconds of the day):\n" + "\n".join(f"    {each}" for each in kept),
        "what was heard and told (monotonic seconds, 1000 more than those of the day):\n"
        + "\n".join(f"    {line}" for line in heard),
        "the end of the daemon's log:\n" + "\n".join(f"    {line}" for line in found.log[-20:]),
        f"to repeat it: {command}",
    ]
    return "\n\n".join(parts)
