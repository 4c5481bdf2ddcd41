"""`python -m tests.long NAME`: runs that are too long for every day, with their figure at the end; exit code 1: broken.

Each has a sample of its own in the ordinary tests.
"""

import argparse
import os
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Final

TESTS: Final = Path(__file__).parent
sys.path.insert(0, str(TESTS))
sys.path.insert(0, str(TESTS / "chaos"))
sys.path.insert(0, str(TESTS / "sim"))
sys.path.insert(0, str(TESTS / "hours"))


def _double_kills(count: int, seed: int) -> bool:
    """Daemon and broker killed together with a hold: a cut must start nothing."""
    from double_kills import double_kills

    with tempfile.TemporaryDirectory(prefix="double-kills-") as folder:
        return double_kills(Path(folder), range(count), seed, _say) == 0


def _days(count: int, seed: int) -> bool:
    """Shop-days in which everything breaks."""
    from sim_many import many

    return many(str(seed), count)


def _kills(count: int, seed: int) -> bool:
    """The daemon killed in the middle of work."""
    return _tests("chaos/test_daemon_kills.py", GATEHAND_KILLS=count, GATEHAND_KILLS_SEED=seed)


def _broker_chaos(count: int, seed: int) -> bool:
    """The broker killed, frozen, refusing, silent, hostile."""
    return _tests("chaos/test_broker_chaos.py", GATEHAND_CHAOS_ROUNDS=count, GATEHAND_CHAOS_SEED=seed)


def _brokers(count: int, _seed: int) -> bool:
    """Drawn brokers on which the machine's own signal has to come first."""
    return _tests("listening/test_watched.py", GATEHAND_DRAWN_BROKERS=count)


def _typos(count: int, seed: int) -> bool:
    """Slips of one letter in a rich config: each one error on its line, nearly all corrected."""
    return _tests("config/test_config_typos.py", GATEHAND_TYPOS=count, GATEHAND_TYPOS_SEED=seed)


def _odd_shops(count: int, seed: int) -> bool:
    """Ducts that lose next to nothing on fans of every size and bend: worked out, or answered with a right bound."""
    return _tests("air/test_air_odd_shops.py", GATEHAND_ODD_SHOPS=count, GATEHAND_ODD_SHOPS_SEED=seed)


def _screens(count: int, seed: int) -> bool:
    """Drawn shops on screens of every size: nothing cut, what gives way is counted."""
    return _tests("screen/test_screen_widths.py", GATEHAND_SCREENS=count, GATEHAND_SCREENS_SEED=seed)


def _situations(_count: int, _seed: int) -> bool:
    """Every situation of the small shops, those of two tools and of a broker that comes and goes to their ends too.

    A quarter of an hour, 2 GB.
    """
    return _tests("rules/test_exhaustive.py", GATEHAND_WHOLE_WALKS=1)


def _first_configs(count: int, seed: int) -> bool:
    """First configs of drawn shops beside the true ones: roles, and the commands of a day; ten over a real broker."""
    name = "GATEHAND_FIRST_CONFIGS"
    settings = {name: count, f"{name}_SEED": seed, f"{name}_OVER_BROKER": min(10, count), f"{name}_MINUTES": 20}
    return _tests("first_config/test_first_configs.py", **settings)


def _why(count: int, seed: int) -> bool:
    """Whole days with all their faults: every refusal and missed start is asked about, every line shown is needed."""
    name = "GATEHAND_WHY_DAYS"
    return _tests("why/test_why_days.py", **{name: count, f"{name}_SEED": seed, f"{name}_SECONDS": 86_400})


def _forecasts(count: int, seed: int) -> bool:
    """Whether what the statuses of shop-days foretell comes true when nothing else happens; two hundred: 20 minutes."""
    return _tests("sim/test_sim_forecasts.py", GATEHAND_FORECAST_DAYS=count, GATEHAND_SIM_SEED=seed)


def _suctions(count: int, seed: int) -> bool:
    """Drawn shop-days with everything breaking and a suction sensor at each collector; a day: four seconds."""
    return _tests("sim/test_sim_suction.py", GATEHAND_SUCTION_DAYS=count, GATEHAND_SIM_SEED=seed)


def _hours(count: int, _seed: int) -> bool:
    """The whole suite at other hours, on other days and in other zones: no test may depend on when it runs."""
    from other_hours import at_other_hours

    with tempfile.TemporaryDirectory(prefix="hours-") as folder:
        return at_other_hours(Path(folder), count, _say)


def _measured(count: int, seed: int) -> bool:
    """Faults of every kind put into generated shops, and whether the fit to made-up readings names them."""
    return _tests("air/test_air_faults.py", GATEHAND_MEASURED=count, GATEHAND_MEASURED_SEED=seed)


def _wholes(count: int, seed: int) -> bool:
    """Made shops whose proposals are put into the config and solved again; small ones held against every whole."""
    settings = {"GATEHAND_WHOLES": count, "GATEHAND_WHOLES_SEED": seed}
    return _tests("air/test_air_applied.py", **settings) and _tests("air/test_air_wholes.py", **settings)


def _boards(count: int, seed: int) -> bool:
    """Boards through so many outages of broker, Wi-Fi and power, and the wills of thirty that fall silent."""
    name = "GATEHAND_OUTAGES"
    return _tests("boards/test_boards_outages.py", **{name: count, f"{name}_SEED": seed}) and _tests(
        "boards/test_boards_loop.py", GATEHAND_WILLS=30
    )


def _board_days(count: int, _seed: int) -> bool:
    """The heap of each board over so many hours, its pauses four times as long; a day: five minutes."""
    return _tests("boards/test_boards_memory.py", GATEHAND_BOARD_HOURS=count)


def _board_faults(_count: int, _seed: int) -> bool:
    """The boards' day with planted faults: each has to be noticed. A minute."""
    sys.path.insert(0, str(TESTS / "boards"))
    from planted import unnoticed_by_the_day

    with tempfile.TemporaryDirectory(prefix="board-faults-") as folder:
        return unnoticed_by_the_day(Path(folder), _say) == 0


def _page(count: int, seed: int) -> bool:
    """All moments, attacks, widths and crowds at the page, and so many drawn messages; three minutes."""
    settings = {"GATEHAND_PAGE": max(300, count), "GATEHAND_PAGE_SEED": seed}
    files = ("parts_strangers", "server_bounds")
    seen = ("states", "access", "payloads", "layout")
    paths = [f"phone/test_phone_{each}.py" for each in files] + [f"phone/browser/test_page_{each}.py" for each in seen]
    passed = [_tests(path, **settings) for path in paths]  # each, also after one that failed
    return all(passed)


def _tests(file: str, **settings: int) -> bool:
    """Run a file of the ordinary tests with more than its sample."""
    import pytest

    os.environ.update({name: str(value) for name, value in settings.items()})
    return pytest.main(["-q", "-s", str(TESTS / file)]) == 0


def _sizings(count: int, seed: int) -> bool:
    """Shops whose ducts are sized, hung and looked at again."""
    sys.path.insert(0, str(TESTS / "air"))
    from sizing_shops import many

    return many(count, seed)


RUNS: Final[dict[str, tuple[int, Callable[[int, int], bool]]]] = {
    "double_kills": (20, _double_kills),
    "kills": (100, _kills),
    "broker_chaos": (40, _broker_chaos),
    "days": (200, _days),
    "forecasts": (200, _forecasts),
    "hours": (6, _hours),
    "first_configs": (200, _first_configs),
    "board_days": (24, _board_days),
    "board_faults": (1, _board_faults),
    "boards": (100, _boards),
    "brokers": (5000, _brokers),
    "page": (3000, _page),
    "odd_shops": (20_000, _odd_shops),
    "measured": (100, _measured),
    "screens": (20_000, _screens),
    "sizings": (300, _sizings),
    "suctions": (50, _suctions),
    "situations": (1, _situations),
    "typos": (500, _typos),
    "why": (200, _why),
    "wholes": (100, _wholes),
}
"""Name: how many by default, and what gives whether all is well."""


def _say(text: str) -> None:
    print(text, flush=True)


def main() -> int:
    """Read the options and run it."""
    parser = argparse.ArgumentParser(prog="python -m tests.long", description=(__doc__ or "").split("\n\n")[0])
    parser.add_argument("name", choices=RUNS)
    parser.add_argument(
        "--count", type=int, help="how many; default: " + ", ".join(f"{n} {c}" for n, (c, _) in RUNS.items())
    )
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    default, play = RUNS[args.name]
    return 0 if play(args.count or default, args.seed) else 1


if __name__ == "__main__":
    sys.exit(main())
