"""The ducts of a config, looked at: for `gatehand airflow` and for `gatehand check`. The formulas are the rules'."""

from gatehand.air.advise import AirWarning, warnings

__all__ = ["AirWarning", "warnings"]
