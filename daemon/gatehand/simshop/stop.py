"""A stop contact with its device: what it says while it is there, and that it is gone. Nothing else of a device."""

from gatehand.config.tables import StopTable
from gatehand.simshop.device import ContactModel, Reporter


class StopModel(ContactModel):
    """A contact whose device may lose its power or its network; while that is away it says nothing."""

    def __init__(self, stop: StopTable, reporter: Reporter) -> None:
        super().__init__(stop, reporter)
        self.online = None if stop.online is None else ContactModel(stop.online, reporter, active=True)
        self._gone = False

    def report(self, at: float) -> None:
        """Say what it is, if the device is there."""
        if not self._gone:
            super().report(at)

    def drop(self, at: float) -> None:
        """The device is gone: its will is published, and nothing more is said."""
        self._gone = True
        if self.online is not None:
            self.online.set(active=False, at=at)

    def come_back(self, at: float) -> None:
        """The device is there: it says so, and how its contact is."""
        self._gone = False
        if self.online is not None:
            self.online.active = True
            self.online.report(at)
        self.report(at)
