"""The ducts of a config, looked at: for `gatehand airflow` and `gatehand check`. The formulas are `gatehand_air`'s."""

from gatehand.air.air_warnings import AirWarning, warnings

__all__ = ["AirWarning", "warnings"]
