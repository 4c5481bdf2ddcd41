"""`[homie]`: shows the daemon as a device of the Homie 5 convention. Off by default."""

from pydantic import Field

from gatehand.config.base import Table
from gatehand.config.topics import Level
from gatehand.config.values import Flag


class Homie(Table):
    """The open convention's switch and its topic domain."""

    enabled: Flag = Field(False, description="Publish as a Homie 5 device: read-only but for hand start and reset.")
    domain: Level = Field("homie", description="First topic level of the convention.")
