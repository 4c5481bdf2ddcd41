"""What `gatehand off` and `gatehand reload` can still read of a config that somebody has spoilt."""

import re
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gatehand.config import load
from gatehand.config.load import salvage

EXAMPLE = (Path(__file__).resolve().parents[2] / "config.example.toml").read_text()
OFF = ("shop/collector/set", "0")
TOPICS = frozenset(re.findall(r'"([^"\n]*/[^"\n]*)"', EXAMPLE))
"""Whole ones: a slip may cut the collector's own short, which is nobody else's."""


def offs(text: str) -> list[tuple[str, str]]:
    return [(each.command.topic, each.command.off) for each in salvage(text).collector.values()]


def test_a_good_config_is_read_whole(tmp_path: Path) -> None:
    file = tmp_path / "config.toml"
    file.write_text(EXAMPLE)
    assert salvage(EXAMPLE) == load(file).config


@pytest.mark.parametrize(
    "spoilt",
    [
        EXAMPLE.replace("start_amps = 2.5", "start_amps = much"),
        EXAMPLE.replace("start_amps = 2.5", 'start_amps = "2.5'),
        EXAMPLE.replace("[gate.router]", "[gate.router"),
        EXAMPLE.replace('members = ["band_saw"', 'members = ["band_saw'),
        EXAMPLE.replace("[stop.emergency]", "[stop.emergency]\n[stop.emergency]"),
        EXAMPLE.replace("max_open = 2", "max_opne = 2"),
        EXAMPLE + "\n[tool.lathe]\ngates = [",
        EXAMPLE + "\nhello",
        EXAMPLE.replace("[homie]", "x = " + "[" * 500),
    ],
)
def test_a_mistake_elsewhere_leaves_broker_and_collector_readable(spoilt: str) -> None:
    spoilt = spoilt.replace('host = "127.0.0.1"', 'host = "shop.test"')
    assert offs(spoilt) == [OFF]
    assert salvage(spoilt).broker.host == "shop.test"


def test_a_table_with_a_broken_head_lends_its_keys_to_no_other() -> None:
    text = '[log]\nfolder = "x"\n[gate.a\ncommand = { topic = "wrong", on = "1", off = "0" }\n'
    assert offs("[collector.main]\n" + text) == []
    assert offs('[collector.main]\ncommand = { topic = "t", on = "1", off = "0" }\n' + text) == [("t", "0")]


@settings(max_examples=150, deadline=None)
@given(st.data())
def test_no_slip_makes_it_fail_or_name_a_topic_that_no_collector_has(data: st.DataObject) -> None:
    text = EXAMPLE
    for _ in range(data.draw(st.integers(1, 4))):
        at = data.draw(st.integers(0, len(text)))
        until = min(len(text), at + data.draw(st.integers(0, 30)))
        text = (
            text[:at]
            + data.draw(st.sampled_from(["", '"', "[", "]", "=", "\n", "\x00", "'''", "é", "}"]))
            + text[until:]
        )
    found = [topic for topic, _ in offs(text)]
    assert len(found) <= 1
    assert all("collector" in topic or topic not in TOPICS for topic in found), "another device's topic"


@given(st.text(max_size=300))
def test_any_text_at_all_is_survived(text: str) -> None:
    salvage(text)
