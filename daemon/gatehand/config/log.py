"""`[log]`: where the event log stands and how much of it is kept. Writing it belongs to `gatehand.journal`."""

from pathlib import Path

from pydantic import Field

from gatehand.config.base import Table
from gatehand.config.values import FilePath, KeepDays, Megabytes


class Log(Table):
    """The event log and the recorded readings."""

    folder: FilePath = Field(Path("log"), description="Folder of the event log, relative to this file.")
    keep_days: KeepDays = Field(400, description="Event files older than this are deleted; 0 = keep all.")
    readings_limit_mb: Megabytes = Field(
        200, description="Recorded readings keep within this size, oldest dropped first; 0 = none."
    )
