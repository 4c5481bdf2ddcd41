"""Otsu's threshold: the split of a histogram into two classes that lie furthest apart for their own spread.

N. Otsu, "A threshold selection method from gray-level histograms", IEEE Transactions on Systems, Man, and Cybernetics
9 (1979), 62-66: equation 18 is what is maximised, equation 20 the measure of how well it parts.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import accumulate


@dataclass(frozen=True, slots=True)
class Split:
    """`at`: the bin whose centre is the threshold; the lower class ends with it. `parted`: 0 not at all, 1 wholly."""

    at: int
    threshold: float
    parted: float


def otsu(counts: Sequence[float], centres: Sequence[float]) -> Split | None:
    """The threshold of a histogram; None when fewer than two of its bins hold anything."""
    if sum(1 for count in counts if count > 0) < 2:  # noqa: PLR2004 - two classes
        return None
    weights = list(accumulate(counts))
    sums = list(accumulate(count * centre for count, centre in zip(counts, centres, strict=True)))
    total, whole = weights[-1], sums[-1]
    best, at = -1.0, 0
    for i in range(len(counts) - 1):
        lower, upper = weights[i], total - weights[i]
        if lower <= 0 or upper <= 0:
            continue
        between = lower * upper * (sums[i] / lower - (whole - sums[i]) / upper) ** 2
        if between > best * (1 + 1e-12):
            best, at = between, i
    mean = whole / total
    spread = sum(count * (centre - mean) ** 2 for count, centre in zip(counts, centres, strict=True)) / total
    return Split(at, centres[at], best / total**2 / spread)
