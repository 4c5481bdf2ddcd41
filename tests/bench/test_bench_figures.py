"""The benchmarks' own ground: a figure is judged by its ratio, and what is compared does the same."""

import pytest
from bench_kit import Figure, publish_packet, quantile, table


def figure(wanted: tuple[str, float], ours: tuple[float, ...], theirs: tuple[float, ...]) -> Figure:
    return Figure(what="x", unit="s", ours=ours, baseline="bare", theirs=theirs, wanted=wanted)  # type: ignore[arg-type]


def test_a_ratio_is_taken_run_by_run_and_its_median_is_judged() -> None:
    slower = figure(("at most", 1.5), (1.0, 4.0, 6.0), (1.0, 2.0, 4.0))
    assert slower.ratios == [1.0, 2.0, 1.5]
    assert slower.kept
    assert not figure(("at most", 1.4), slower.ours, slower.theirs).kept  # type: ignore[arg-type]
    assert figure(("at least", 0.7), (70, 80, 60), (100, 100, 100)).kept
    assert not figure(("at least", 0.75), (70, 80, 60), (100, 100, 100)).kept


def test_a_limit_stands_for_every_run() -> None:
    assert figure(("at most", 1.0), (1.0, 3.0, 2.0), (2.0,)).ratios == [0.5, 1.5, 1.0]


def test_the_table_says_what_was_missed() -> None:
    shown = table([figure(("at most", 1.0), (3.0,), (2.0,)), figure(("at most", 2.0), (3.0,), (2.0,))])
    assert [line.split()[-1] for line in shown.splitlines()[2:]] == ["MISSED", "kept"]
    assert "1.5" in shown


def test_a_quantile_is_one_of_the_values() -> None:
    assert quantile([5, 1, 4, 2, 3], 0.5) == 3
    assert quantile([1, 2, 3], 1.0) == 3


def test_a_packet_is_as_the_standard_has_it() -> None:
    # MQTT 3.1.1 section 3.3: the fixed header, the remaining length, the topic with its length, the payload.
    assert publish_packet("a/b", "1") == bytes([0x30, 6, 0, 3]) + b"a/b1"


def test_the_machine_beside_step_gives_the_same_commands() -> None:
    pytest.importorskip("transitions", reason="needs the bench extra")
    pytest.importorskip("statemachine", reason="needs the bench extra")
    import bench_step
    import machine_transitions

    day = bench_step.readings(bench_step.TOOLS, 240)
    ours = [each for each in bench_step.by_rules(bench_step.shop(), day) if each[0] > bench_step.START]
    floor = machine_transitions.floor([i % bench_step.GATES for i in range(bench_step.TOOLS)], bench_step.GATES)
    theirs = [each for each in bench_step.by_machine(floor, day) if each[0] > bench_step.START]
    assert len(ours) > 10
    assert ours == theirs
