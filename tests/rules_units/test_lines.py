"""How the unit tests compare lines: by what they name."""

import pytest
from unit_bench import Line

SAID = Line("collector_on/demand collector=main", "starts_this_hour=1", "starts_per_hour=3", "for=dust and chips")


@pytest.mark.parametrize(
    "named",
    [
        str.__str__(SAID),
        "collector_on/demand collector=main",
        "collector_on/demand collector=main starts_per_hour=3",
        "collector_on/demand collector=main starts_this_hour=1 for=dust and chips",
    ],
)
def test_a_line_is_what_names_some_of_its_facts(named: str) -> None:
    assert named == SAID
    assert [named] == [SAID]
    assert not named != SAID  # noqa: SIM202 - the other operator


@pytest.mark.parametrize(
    "named",
    [
        "collector_on/demand",
        "collector_on/demand collector=other",
        "collector_on/demand collector=main starts_per_hour=30",
        "collector_on/demand collector=main starts_per_hour=3 starts_this_hour=1",
        "collector_on/demand collector=main starts_per_hour=3 late_by=None",
        "",
    ],
)
def test_a_wrong_fact_or_one_that_is_not_there_is_another_line(named: str) -> None:
    assert named != SAID
    assert [named] != [SAID]


def test_two_lines_are_the_same_only_whole() -> None:
    assert Line("a", "x=1") != Line("a")
    assert Line("a", "x=1") == Line("a", "x=1")
