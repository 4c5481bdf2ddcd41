"""A long list of groups that is gone through again and again, each time with other values of a few of their members."""

from collections.abc import Hashable, Iterator, Mapping
from itertools import islice
from typing import Generic, TypeVar

_Member = TypeVar("_Member", bound=Hashable)
_Found = TypeVar("_Found")


class Rows(Generic[_Member, _Found]):
    """Groups in the order in which they come, made as far as they are asked for, and what was found of each last time.

    `listed`, `found`: groups and findings. `stale`: places of groups of which a member has another value now, or that
    nobody looked at.
    """

    def __init__(self, further: Iterator[tuple[_Member, ...]], nothing: _Found) -> None:
        self.listed: list[tuple[_Member, ...]] = []
        self.found: list[_Found] = []
        self.stale: set[int] = set()
        self._further, self._nothing = further, nothing
        self._with: dict[_Member, list[int]] = {}
        self._values: dict[_Member, int] = {}

    def groups(self, begin: int, most: int) -> list[tuple[_Member, ...]]:
        """Some of them in a row."""
        for group in islice(self._further, max(begin + most - len(self.listed), 0)):
            for member in group:
                self._with.setdefault(member, []).append(len(self.listed))
            self.stale.add(len(self.listed))
            self.listed.append(group)
            self.found.append(self._nothing)
        return self.listed[begin : begin + most]

    def now(self, values: Mapping[_Member, int]) -> None:
        """Each member's value, by number."""
        for member, value in values.items():
            if self._values.get(member) != value:
                self.stale.update(self._with.get(member, ()))
        self._values = dict(values)
