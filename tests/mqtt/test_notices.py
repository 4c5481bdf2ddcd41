"""The client library's log lines pass a few at a time."""

import logging

from gatehand.mqtt.notices import RateLimit, quiet_logger


def record(text: str) -> logging.LogRecord:
    return logging.LogRecord("mqtt", logging.ERROR, __file__, 1, text, (), None)


def test_a_flood_is_cut_to_a_few_lines_and_the_next_says_how_many_were_left_out() -> None:
    now = [0.0]
    limit = RateLimit(lines=3, seconds=10, clock=lambda: now[0])
    assert sum(limit.filter(record("boom")) for _ in range(30_000)) == 3
    now[0] = 10.0
    after = record("boom")
    assert limit.filter(after)
    assert after.getMessage() == "boom (29997 more lines left out)"
    again = record("boom")
    assert limit.filter(again)
    assert again.getMessage() == "boom"


def test_each_session_has_a_logger_of_its_own_that_speaks_under_ours() -> None:
    one, two = quiet_logger(), quiet_logger()
    assert one is not two
    assert one.parent is logging.getLogger("gatehand.mqtt")
    assert not one.isEnabledFor(logging.INFO)
