"""`[stop.NAME]`: a contact that stops and holds collectors. Watched only; never the emergency stop itself."""

from pydantic import Field

from gatehand.config.signals import Contact
from gatehand.config.values import NameOf


class Stop(Contact):
    """A stop contact: an emergency stop's auxiliary contact, a spark or smoke detector."""

    collectors: tuple[NameOf, ...] | None = Field(None, description="Collectors that it stops; default: all.")
