"""Options and profiles that every test shares."""

import pytest


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption(
        "--rewrite-scenarios",
        action="store_true",
        help="write what the rules do now below the dashes of every scenario; read the diff before you keep it",
    )
