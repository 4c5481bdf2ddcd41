"""What an edit changed, as `gatehand reload` tells it."""

from pathlib import Path

import pytest

from gatehand.config import Config, load_text
from gatehand.config.edits import edits

EXAMPLE = (Path(__file__).resolve().parents[2] / "config.example.toml").read_text()


def config(text: str) -> Config:
    found = load_text(text, Path("config.toml"), files=False)
    assert found.config is not None, found.errors
    return found.config


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ("max_open = 2", "max_open = 1", ("collector.main.max_open: 2 -> 1",)),
        ('run_on = "15 s"', 'run_on = "1 min"', ("tool.jointer.run_on: 15 -> 60",)),
        ("max_open = 2 ", "", ("collector.main.max_open: 2 -> none",)),
        (
            'gates = ["router"]',
            'gates = ["router", "sweep"]',
            ('tool.router.gates: ["router"] -> ["router", "sweep"]',),
        ),
        ('topic = "shop/estop"', 'topic = "shop/stop"', ('stop.emergency.topic: "shop/estop" -> "shop/stop"',)),
        ("relief = true", "relief = false", ("gate.sweep.relief: true -> false",)),
        ("[upkeep.filter]", "[upkeep.bags]", ("upkeep.filter: removed", "upkeep.bags: new")),
        ("run_on = 0\n", "run_on = 0.0  # the same\n", ()),
    ],
)
def test_each_change_is_told_once_in_the_configs_words(old: str, new: str, told: tuple[str, ...]) -> None:
    assert old in EXAMPLE
    assert edits(config(EXAMPLE), config(EXAMPLE.replace(old, new, 1))) == told


def test_a_signal_that_comes_is_shown_as_it_is_written() -> None:
    with_online = EXAMPLE.replace(
        'gates = ["router"]', 'gates = ["router"]\nonline = { topic = "o", active = "1", clear = "0" }'
    )
    assert edits(config(EXAMPLE), config(with_online)) == (
        'tool.router.online: none -> { topic = "o", active = "1", clear = "0" }',
    )
