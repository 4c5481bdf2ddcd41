"""The base of every table of the config: frozen, strict about unknown keys. Nothing else belongs here."""

from pydantic import BaseModel, ConfigDict


class Table(BaseModel):
    """A TOML table. Attributes are named as the keys; durations are seconds, currents ampere."""

    model_config = ConfigDict(defer_build=True, frozen=True, extra="forbid")
