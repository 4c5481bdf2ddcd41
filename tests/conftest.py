"""What every test shares: options, figures said at the end of the run, what a run in CI may skip, who runs what.

In several processes (`-n 4`) a file is run by one of them, so that what its tests share is made once; but the long
walks and days are handed out one by one. What is slow comes first, so that none of it is left for the end.
"""

import os
import tomllib
from collections.abc import Callable, Generator, Iterator
from functools import cache
from pathlib import Path
from typing import TypeVar

import pytest
from hypothesis import settings
from support.mosquitto import Mosquitto

settings.register_profile("no_clock", deadline=None)
settings.load_profile("no_clock")
"""A drawn example may take as long as a busy machine makes it take."""

ONE_BY_ONE = ("tests/rules/", "tests/sim/")
"""Where tests take long, need the processor alone and share nothing."""
MAY_SKIP = Path(__file__).with_name("skips.toml")
SAID = "said"
R = TypeVar("R", pytest.TestReport, pytest.CollectReport)


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption(
        "--rewrite-scenarios",
        action="store_true",
        help="write what the rules do now below the dashes of every scenario; read the diff before you keep it",
    )


@pytest.fixture
def tell(request: pytest.FixtureRequest) -> Callable[[str], None]:
    """Say a line in the summary of the run: figures that a reader wants to see of a test that passed."""
    return lambda line: request.node.user_properties.append((SAID, line))


@pytest.fixture(scope="module")
def broker() -> Iterator[Mosquitto]:
    """A broker for the tests of a file that leave it as they found it; one that is killed is the test's own."""
    with Mosquitto() as found:
        yield found


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    for outcome in ("passed", "failed"):
        for report in terminalreporter.stats.get(outcome, []):
            for name, line in report.user_properties:
                if name == SAID:
                    terminalreporter.write_line(line)


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: object) -> object:
    """Hand out whole files, and what takes long test by test, unless another way is asked for."""
    from xdist.scheduler import LoadFileScheduling

    class Scheduling(LoadFileScheduling):  # type: ignore[misc]  # untyped
        def _split_scope(self, nodeid: str) -> str:
            return nodeid if nodeid.startswith(ONE_BY_ONE) else nodeid.split("::", 1)[0]

    if config.getoption("dist") != "load":
        return None
    config.option.loadscopereorder = False  # or the files with few tests, which are the long ones, would come last
    return Scheduling(config, log)


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    if hasattr(config, "workerinput"):
        slow = {item.path for item in items if item.get_closest_marker("slow")}
        items.sort(key=lambda item: item.path not in slow)


@cache
def _may_skip() -> tuple[str, ...]:
    return tuple(tomllib.loads(MAY_SKIP.read_text(encoding="utf-8")))


def _hold_to_the_list(report: R) -> R:
    """In CI a skip that no line of skips.toml allows is a failure."""
    if report.skipped and not hasattr(report, "wasxfail") and os.environ.get("CI"):
        listed = report.nodeid.startswith(_may_skip())
        if not listed:
            why = report.longrepr[2] if isinstance(report.longrepr, tuple) else report.longrepr
            report.outcome = "failed"
            report.longrepr = f"skipped, and {MAY_SKIP.name} has no line for it: {why}"
    return report


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport() -> Generator[None, pytest.TestReport, pytest.TestReport]:
    return _hold_to_the_list((yield))


@pytest.hookimpl(wrapper=True)
def pytest_make_collect_report() -> Generator[None, pytest.CollectReport, pytest.CollectReport]:
    return _hold_to_the_list((yield))
