"""The fan's curve between its points: scipy's shape-preserving cubic, monotone, smooth, and honest about its ends."""

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gatehand_air.fan_curve import Curve


def falling(steps: list[float], drops: list[float]) -> tuple[tuple[float, float], ...]:
    points, x, y = [], 0.0, 20.0
    for step, drop in zip(steps, drops, strict=False):
        points.append((x, y))
        x, y = x + step, y - drop
    return tuple(points)


@given(st.lists(st.floats(0.01, 1.0), min_size=3, max_size=12), st.lists(st.floats(0.0, 3.0), min_size=12, max_size=12))
def test_it_is_scipys_pchip(steps: list[float], drops: list[float]) -> None:
    interpolate = pytest.importorskip("scipy.interpolate", reason="scipy (extra 'oracle') is not installed")
    points = falling(steps, drops)
    ours = Curve(points)
    theirs = interpolate.PchipInterpolator(*zip(*points, strict=True))
    for i in range(41):
        x = points[0][0] + (points[-1][0] - points[0][0]) * i / 40
        assert ours.at(x)[0] == pytest.approx(float(theirs(x)), abs=1e-9)
        assert ours.at(x)[1] == pytest.approx(float(theirs.derivative()(x)), abs=1e-6)


@given(st.lists(st.floats(0.01, 1.0), min_size=2, max_size=12), st.lists(st.floats(0.0, 3.0), min_size=12, max_size=12))
def test_it_falls_wherever_its_points_fall(steps: list[float], drops: list[float]) -> None:
    points = falling(steps, drops)
    curve = Curve(points)
    values = [curve.at(points[0][0] + (points[-1][0] - points[0][0]) * i / 200)[0] for i in range(201)]
    assert all(a >= b - 1e-9 for a, b in pairwise(values))
    assert [curve.at(x)[0] for x, _ in points] == pytest.approx([y for _, y in points])


def test_two_points_make_a_straight_line() -> None:
    assert Curve(((0, 10), (4, 2))).at(1) == pytest.approx((8, -2))


def test_beyond_its_ends_it_goes_on_straight_for_a_search_on_its_way() -> None:
    curve = Curve(((1, 10), (2, 9), (3, 5)))
    end, slope = curve.at(3)
    assert curve.at(4) == pytest.approx((end + slope, slope))
    start, first = curve.at(1)
    assert curve.at(0) == pytest.approx((start - first, first))
    assert (curve.first, curve.last) == (1, 3)


@pytest.mark.parametrize("points", [((0.0, 1.0),), ((0.0, 1.0), (0.0, 0.5)), ((1.0, 1.0), (0.0, 2.0))])
def test_points_out_of_order_are_refused(points: tuple[tuple[float, float], ...]) -> None:
    with pytest.raises(ValueError, match="curve"):
        Curve(points)
