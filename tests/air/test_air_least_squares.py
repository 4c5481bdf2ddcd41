"""Least squares of few unknowns, held against numpy and scipy; Student's t against its own distribution."""

import random

import numpy as np
import pytest
from scipy import stats

from gatehand_air.least_squares import CRITICAL, NORMAL, NotSolvableError, adjust, inverse, student


def drawn(seed: int, readings: int, unknowns: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    root = rng.normal(size=(readings, readings))
    return (
        rng.normal(size=(readings, unknowns)),
        rng.normal(size=readings),
        root @ root.T + 0.1 * np.eye(readings),
    )


@pytest.mark.parametrize("spare", [1, 2, 3, 5, 10, 11, 15, 30, 100, 10_000])
def test_student_is_what_its_distribution_says(spare: int) -> None:
    assert student(spare) == pytest.approx(stats.t.ppf(0.975, spare), rel=1e-3)


def test_student_without_a_reading_to_spare_says_nothing() -> None:
    assert pytest.approx(stats.norm.ppf(0.975), rel=1e-6) == NORMAL
    assert pytest.approx(stats.norm.ppf(1 - 0.001 / 2), abs=1e-3) == CRITICAL
    with pytest.raises(ValueError, match="to spare"):
        student(0)


@pytest.mark.parametrize("seed", range(12))
def test_estimates_and_covariance_are_those_of_the_normal_matrix(seed: int) -> None:
    """Estimates (J'WJ)^-1 J'Wr with the covariance (J'WJ)^-1, as numpy has them; chi^2 from the residuals."""
    unknowns = 1 + seed % 4
    design, read, covariance = drawn(seed, unknowns + 1 + seed % 6, unknowns)
    ours = adjust([list(column) for column in design.T], list(read), inverse(covariance.tolist()))
    weight = np.linalg.inv(covariance)
    normal = design.T @ weight @ design
    assert ours.found == pytest.approx(np.linalg.solve(normal, design.T @ weight @ read), rel=1e-6)
    assert np.array(ours.covariance) == pytest.approx(np.linalg.inv(normal), rel=1e-6)
    left = read - design @ np.array(ours.found)
    assert ours.chi_square == pytest.approx(left @ weight @ left, rel=1e-6, abs=1e-9)
    assert ours.spare == len(read) - unknowns


@pytest.mark.parametrize("seed", range(8))
def test_an_alternative_tested_is_one_more_unknown_fitted(seed: int) -> None:
    design, read, covariance = drawn(100 + seed, 9, 2)
    ours = adjust([list(column) for column in design.T], list(read), inverse(covariance.tolist()))
    for at in range(9):
        direction = [float(i == at) for i in range(9)]
        more = adjust([*(list(column) for column in design.T), direction], list(read), inverse(covariance.tolist()))
        tested = ours.tested(direction)
        assert tested is not None
        assert tested.size == pytest.approx(more.found[2], rel=1e-6)
        assert tested.deviation == pytest.approx(more.deviation(2), rel=1e-6)
        assert ours.chi_square - tested.score**2 == pytest.approx(more.chi_square, rel=1e-6, abs=1e-9)
    assert ours.tested([row[0] for row in design]) is None, "what the unknowns do already is not checked"


def test_what_cannot_be_told_apart_says_so() -> None:
    with pytest.raises(NotSolvableError):
        adjust([[1.0, 2.0, 3.0], [2.0, 4.0, 6.0]], [1.0, 1.0, 1.0], [[1, 0, 0], [0, 1, 0], [0, 0, 1]])
    with pytest.raises(NotSolvableError):
        inverse([[0.0]])


@pytest.mark.parametrize(
    ("spare", "truly", "least"),
    [(1, 1, 0.95), (2, 1, 0.95), (6, 1, 0.95), (1, 3, 0.83), (2, 3, 0.89), (6, 3, 0.92)],
)
def test_half_widths_hold_in_19_of_20_and_hardly_less_where_readings_err_three_times_as_much(
    spare: int, truly: float, least: float
) -> None:
    """600 means of a few readings each; the rate itself errs by 0.008 to 0.014, one standard deviation."""
    dice = random.Random(spare)
    unit = [[float(i == j) for j in range(spare + 1)] for i in range(spare + 1)]
    held = 0
    for _ in range(600):
        read = [dice.gauss(0, truly) for _ in unit]
        found = adjust([[1.0] * len(read)], read, unit)
        held += abs(found.found[0]) <= found.widening * found.deviation(0)
    assert least < held / 600 < 0.99
