"""Least squares of few unknowns with known covariances (Aitken's, or Gauss and Markov's): estimates, spreads, tests.

What was read less what the model says, r, is J x + e; the errors e have the covariance V. With W = V^-1 the unknowns x
are N^-1 J'W r, N = J'WJ being the normal matrix, and their covariance is N^-1. `student` gives the half-widths of 19 of
20 for few readings. `Adjustment.tested` asks what one further unknown would explain: Baarda's test of one alternative
at a time (W. Baarda, A testing procedure for use in geodetic networks, 1968 [pub]). Plain lists: matrices are small.
"""

import math
from collections.abc import Sequence
from operator import mul
from typing import Final, TypeAlias

from msgspec import Struct

Vector: TypeAlias = Sequence[float]
Matrix: TypeAlias = Sequence[Vector]

NORMAL: Final = 1.959964
"""Standard deviations that hold 19 of 20 when they are known."""
_STUDENT: Final = (12.706, 4.303, 3.182, 2.776, 2.571, 2.447, 2.365, 2.306, 2.262, 2.228)
"""The same when they are estimated with 1 to 10 to spare: NIST/SEMATECH e-Handbook, table 1.3.6.7.2 [pub]."""
CRITICAL: Final = 3.29
"""Standard deviations beyond which one alternative is named: 1 in 1,000 by chance; what surveyors use [memory]."""
_LEAST_STRENGTH: Final = 1e-9
"""Of what a reading says by itself: an alternative that the others check by less is not checked."""


class NotSolvableError(ValueError):
    """The unknowns cannot be told from one another."""


def student(spare: int) -> float:
    """Standard deviations that hold 19 of 20, estimated with so many readings to spare.

    Beyond the table the expansion of Abramowitz and Stegun, 26.7.5 [memory], within 1e-3 of the distribution.

    Raises:
        ValueError: nothing to spare.
    """
    if spare < 1:
        raise ValueError("without a reading to spare nothing says how far readings err")
    if spare <= len(_STUDENT):
        return _STUDENT[spare - 1]
    x = NORMAL
    return x + (x**3 + x) / (4 * spare) + (5 * x**5 + 16 * x**3 + 3 * x) / (96 * spare**2)


class Tested(Struct, frozen=True):
    """One alternative: how much of it the readings ask for, and its standard deviation, in its own unit."""

    size: float
    deviation: float

    @property
    def score(self) -> float:
        """Standard deviations from nothing."""
        return abs(self.size) / self.deviation


class Adjustment(Struct, frozen=True):
    """What came out.

    Fields:
        found: the unknowns.
        covariance: of them, the inverse of the normal matrix.
        projector: W - W J N^-1 J'W: what remains of a direction once the unknowns have taken their part.
        left: the projector times what was read less what the model said.
        chi_square: the weighted sum of squares that remains.
        spare: readings less unknowns.
    """

    found: tuple[float, ...]
    covariance: Matrix
    projector: Matrix
    left: Vector
    chi_square: float
    spare: int

    def deviation(self, unknown: int) -> float:
        """Standard deviation of one, with errors of the size that was given."""
        return math.sqrt(self.covariance[unknown][unknown])

    @property
    def noise(self) -> float:
        """How far readings err, as a multiple of what was given for them."""
        return math.sqrt(self.chi_square / self.spare) if self.spare else 1.0

    @property
    def widening(self) -> float:
        """Standard deviations in a half-width of 19 of 20.

        What was given for the readings is taken at its word; what they scatter beyond that is known from this scatter
        alone, so it counts with Student's t. With errors as given the half-widths hold 96 to 97 of 100; with errors
        three times as large 86 with one reading to spare, 91 with two, 94 with six.
        """
        beyond = max(0.0, self.noise**2 - 1)
        return math.sqrt(NORMAL**2 + (student(self.spare) ** 2 * beyond if beyond else 0.0))

    def tested(self, direction: Vector) -> Tested | None:
        """What one more unknown that acts on the readings so would be; None where the readings do not check it."""
        pushed = [dot(row, direction) for row in self.projector]
        strength = dot(direction, pushed)
        if not strength > _LEAST_STRENGTH * dot(direction, direction):
            return None
        return Tested(dot(direction, self.left) / strength, strength**-0.5)

    def limit(self, score: float) -> float:
        """How many standard deviations count as one, once an alternative of that score has taken its part."""
        if self.spare < 2:  # noqa: PLR2004 - of one to spare the alternative takes all
            return 1.0
        return max(1.0, math.sqrt(max(0.0, self.chi_square - score**2) / (self.spare - 1)))


def adjust(columns: Sequence[Vector], read: Vector, weight: Matrix) -> Adjustment:
    """Fit.

    Args:
        columns: how each unknown acts on the readings.
        read: what was read less what the model says.
        weight: the inverse of the covariance of the errors of the readings.

    Raises:
        NotSolvableError: the columns cannot be told apart.
    """
    weighted = [[dot(row, column) for row in weight] for column in columns]
    normal = [[dot(one, other) for other in weighted] for one in columns]
    spread = inverse(normal) if columns else []
    found = [dot(row, [dot(one, read) for one in weighted]) for row in spread]
    projector = [list(row) for row in weight]
    for i, row in enumerate(projector):
        for one, line in zip(weighted, spread, strict=True):
            part = one[i]
            for other, between in zip(weighted, line, strict=True):
                push = part * between
                row[:] = [value - push * more for value, more in zip(row, other, strict=True)]
    left = [dot(row, read) for row in projector]
    chi_square = max(0.0, dot(read, left))
    return Adjustment(tuple(found), spread, projector, left, chi_square, len(read) - len(columns))


def inverse(matrix: Matrix) -> list[list[float]]:
    """Of a symmetric, positive matrix, by Cholesky's factors.

    Raises:
        NotSolvableError: it is not positive to the accuracy of the numbers.
    """
    size = len(matrix)
    scale = [math.sqrt(matrix[i][i]) if matrix[i][i] > 0 else 0.0 for i in range(size)]
    if not all(scale):
        raise NotSolvableError("an unknown does nothing")
    lower = [[0.0] * size for _ in range(size)]
    for i in range(size):
        for j in range(i + 1):
            rest = matrix[i][j] / scale[i] / scale[j] - dot(lower[i][:j], lower[j][:j])
            if i == j:
                if not rest > 1e-12:  # noqa: PLR2004 - of 1: below it only rounding is left
                    raise NotSolvableError("two unknowns do the same")
                lower[i][i] = math.sqrt(rest)
            else:
                lower[i][j] = rest / lower[j][j]
    upper: list[list[float]] = []  # by columns of the inverse of `lower`, each from its diagonal on
    for j in range(size):
        column = [1 / lower[j][j]]
        for i in range(j + 1, size):
            column.append(-dot(lower[i][j:i], column) / lower[i][i])
        upper.append(column)
    found = [[0.0] * size for _ in range(size)]
    for i in range(size):
        for j in range(i, size):
            found[i][j] = found[j][i] = dot(upper[i][j - i :], upper[j]) / scale[i] / scale[j]
    return found


def dot(one: Vector, other: Vector) -> float:
    """Sum of products."""
    total: float = sum(map(mul, one, other))
    return total
