"""How far a session has got after a standstill: whether what it waits to hear again came after all that had waited.

The session says a word on a topic of its own and waits until it comes back. A broker answers one client in order, so
that what waited comes before it; the broker's answer to a ping would not do, because it overtakes what a full window
of unacknowledged messages holds back. Counts only; no clock, no client library.
"""


class CatchUp:
    """Own words said and heard on one connection; begun anew for each."""

    def __init__(self) -> None:
        self.under_way = 0
        """Words said that have not come back."""
        self._to_come: int | None = None
        self.stood_for: float | None = None
        """How long it stood still, while what waited is still coming."""

    def said(self) -> None:
        """A word of our own was published."""
        self.under_way += 1

    def heard(self) -> bool:
        """A word like ours came. False: nobody here had said it."""
        self.under_way -= 1
        if self._to_come is not None:
            self._to_come -= 1
        if self.under_way < 0:
            self.under_way = 0
            return False
        return True

    def stood(self, seconds: float) -> None:
        """It stood still, and the word that was said last is waited for, with those that went before it.

        A broker whose queue is full may drop one: say another now and then, which then stands for it.
        """
        self.stood_for = max(seconds, self.stood_for or 0.0)
        self._to_come = self.under_way

    @property
    def is_over(self) -> bool:
        """The word waited for has come."""
        return self._to_come is not None and self._to_come <= 0

    def end(self) -> None:
        """What comes from now on is new."""
        self.stood_for = None
        self._to_come = None
