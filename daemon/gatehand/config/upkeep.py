"""`[upkeep.NAME]`: work that comes due after hours of running, such as cleaning a filter."""

from pydantic import Field

from gatehand.config.base import Table
from gatehand.config.values import Hours, NameOf


class Upkeep(Table):
    """One kind of upkeep; `gatehand done NAME` starts its hours anew."""

    every_hours: Hours = Field(description="Hours of running after which it is due.")
    collector: NameOf | None = Field(
        None, description="The collector whose hours count; may be left out where there is one."
    )
