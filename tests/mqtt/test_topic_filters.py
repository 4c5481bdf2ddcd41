"""Topic filters after MQTT 5.0 section 4.7; the examples are the specification's own."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from support.topic_filters import matches, topic_problem

from gatehand.mqtt.paho_client import LONGEST_TOPIC, filter_problem

# published: MQTT Version 5.0, OASIS Standard, the section named in each row.
EXAMPLES = [
    ("4.7.1.2", "sport/tennis/player1/#", "sport/tennis/player1", True),
    ("4.7.1.2", "sport/tennis/player1/#", "sport/tennis/player1/ranking", True),
    ("4.7.1.2", "sport/tennis/player1/#", "sport/tennis/player1/score/wimbledon", True),
    ("4.7.1.2", "sport/#", "sport", True),
    ("4.7.1.2", "#", "sport/tennis/player1", True),
    ("4.7.1.3", "sport/tennis/+", "sport/tennis/player1", True),
    ("4.7.1.3", "sport/tennis/+", "sport/tennis/player2", True),
    ("4.7.1.3", "sport/tennis/+", "sport/tennis/player1/ranking", False),
    ("4.7.1.3", "sport/+", "sport", False),
    ("4.7.1.3", "sport/+", "sport/", True),
    ("4.7.1.3", "+/+", "/finance", True),
    ("4.7.1.3", "/+", "/finance", True),
    ("4.7.1.3", "+", "/finance", False),
    ("4.7.2", "#", "$SYS/broker/uptime", False),
    ("4.7.2", "+/monitor/Clients", "$SYS/monitor/Clients", False),
    ("4.7.2", "$SYS/#", "$SYS/broker/uptime", True),
    ("4.7.2", "$SYS/monitor/+", "$SYS/monitor/Clients", True),
    ("4.7.3", "ACCOUNTS", "Accounts", False),
    ("4.7.3", "Accounts payable", "Accounts payable", True),
    ("4.7.3", "/finance", "finance", False),
    ("4.7.3", "/", "/", True),
]


@pytest.mark.parametrize(("section", "topic_filter", "topic", "expected"), EXAMPLES)
def test_matches_as_the_specification_says(section: str, topic_filter: str, topic: str, expected: bool) -> None:
    assert matches(topic_filter, topic) is expected, section


# published: MQTT 5.0 sections 4.7.1.2 and 4.7.1.3.
@pytest.mark.parametrize("topic_filter", ["sport/tennis/#", "#", "+", "+/tennis/#", "sport/+/player1", "/", "$SYS/#"])
def test_valid_filters_are_accepted(topic_filter: str) -> None:
    assert filter_problem(topic_filter) is None


@pytest.mark.parametrize("topic_filter", ["sport/tennis#", "sport/tennis/#/ranking", "sport+", "", "a\0b", "a/\ud800"])
def test_invalid_filters_are_named_and_match_nothing(topic_filter: str) -> None:
    assert filter_problem(topic_filter)
    assert not matches(topic_filter, "sport/tennis")


def test_a_message_says_where_the_wildcard_stands_and_what_is_wanted() -> None:
    assert filter_problem("shop/#/amps") == "has '#' in level 2 ('#'); it must be alone in the last level"
    assert filter_problem("shop/a+") == "has '+' in level 2 ('a+'); it must be alone in its level"
    assert topic_problem("shop/+/set") == "holds the wildcard '+'; a message goes to one topic, so name it in full"
    assert topic_problem("") == "is empty; it needs at least one character"


def test_a_topic_is_at_most_65535_bytes_of_utf8_long() -> None:  # MQTT 5.0 section 4.7.3
    assert topic_problem("é" * (LONGEST_TOPIC // 2)) is None
    assert topic_problem("é" * (LONGEST_TOPIC // 2 + 1)) == "is 65,536 bytes long; MQTT allows 65,535"


def test_thirty_thousand_levels_do_not_overflow() -> None:
    deep = "a/" * 30_000 + "a"
    assert matches("+/" * 30_000 + "#", deep)
    assert not matches("+/" * 30_000 + "b", deep)


@given(st.text(max_size=30), st.text(max_size=30))
def test_any_two_texts_have_an_answer(topic_filter: str, topic: str) -> None:
    assert matches(topic_filter, topic) in {True, False}


@given(st.lists(st.text("ab", max_size=2), min_size=1, max_size=5))
def test_a_valid_topic_matches_itself_and_everything_above_it(levels: list[str]) -> None:
    topic = "/".join(levels)
    if topic_problem(topic):
        return
    assert matches(topic, topic)
    assert matches("/".join(["+"] * len(levels)), topic)
    assert all(matches("/".join([*levels[:depth], "#"]), topic) for depth in range(len(levels) + 1))
