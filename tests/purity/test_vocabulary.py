"""The rules as a library: all that one needs is named by the package itself, and its example runs as it is printed."""

import doctest
from typing import get_args

import gatehand_rules
from gatehand_rules import commands, events


def test_the_example_of_the_package_runs() -> None:
    found = doctest.testmod(gatehand_rules)
    assert found.failed == 0
    assert found.attempted >= 4


def test_every_event_and_every_command_is_named() -> None:
    for kind in (*get_args(events.Event), *get_args(commands.Command)):
        assert getattr(gatehand_rules, kind.__name__) is kind
        assert kind.__name__ in gatehand_rules.__all__
