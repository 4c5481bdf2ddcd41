"""Options that every test shares, and a place for what a test wants to have said at the end of the run."""

from collections.abc import Callable

import pytest
from hypothesis import settings

settings.register_profile("no_clock", deadline=None)
settings.load_profile("no_clock")
"""A drawn example may take as long as a busy machine makes it take."""

SAID = pytest.StashKey[list[str]]()


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption(
        "--rewrite-scenarios",
        action="store_true",
        help="write what the rules do now below the dashes of every scenario; read the diff before you keep it",
    )


@pytest.fixture
def tell(request: pytest.FixtureRequest) -> Callable[[str], None]:
    """Say a line in the summary of the run: figures that a reader wants to see of a test that passed."""
    return request.config.stash.setdefault(SAID, []).append


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter, config: pytest.Config) -> None:
    for line in config.stash.get(SAID, []):
        terminalreporter.write_line(line)
