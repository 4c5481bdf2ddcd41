"""Otsu's threshold against its published measure and against scikit-image's."""

import random

import pytest

from gatehand.tune.levels import otsu


def mixed(seed: int, bins: int = 64) -> tuple[list[float], list[float]]:
    """A histogram of two lumps of unlike weight and spread."""
    rng = random.Random(seed)
    centres = [0.05 * (i + 0.5) for i in range(bins)]
    counts = [0.0] * bins
    share, low, high = rng.uniform(0.02, 0.98), rng.uniform(0.1, 1.2), rng.uniform(1.5, 3.0)
    for _ in range(4000):
        value = rng.gauss(high, 0.25) if rng.random() < share else rng.gauss(low, 0.15)
        counts[min(bins - 1, max(0, int(value / 0.05)))] += 1
    return counts, centres


@pytest.mark.parametrize("seed", range(25))
def test_threshold_is_that_of_a_general_purpose_library(seed: int) -> None:
    """[pub] scikit-image, skimage.filters.threshold_otsu, given the same histogram."""
    filters = pytest.importorskip("skimage.filters", reason="scikit-image (extra 'oracle') is not installed")
    numpy = pytest.importorskip("numpy")
    counts, centres = mixed(seed)
    found = otsu(counts, centres)
    assert found is not None
    expected = float(filters.threshold_otsu(hist=(numpy.array(counts), numpy.array(centres))))
    assert found.threshold == pytest.approx(expected, abs=1e-12)


def test_two_lumps_of_no_spread_are_parted_wholly() -> None:
    """[calc] By equation 20 of the paper the measure is 1 when all spread lies between the classes."""
    found = otsu([10, 0, 0, 30], [0.0, 1.0, 2.0, 3.0])
    assert found is not None
    assert found.threshold == 0.0
    assert found.parted == pytest.approx(1.0)


def test_parted_is_the_share_of_spread_between_the_classes() -> None:
    """[calc] Values 0, 1, 4, 5 once each: total variance 4.25, between {0, 1} and {4, 5} 4.0."""
    found = otsu([1, 1, 0, 0, 1, 1], [0, 1, 2, 3, 4, 5])
    assert found is not None
    assert found.threshold == 1
    assert found.parted == pytest.approx(4.0 / 4.25)


@pytest.mark.parametrize("counts", [[0, 0, 0], [0, 7, 0], [0.0]])
def test_what_has_one_value_has_no_threshold(counts: list[float]) -> None:
    assert otsu(counts, [float(i) for i in range(len(counts))]) is None
