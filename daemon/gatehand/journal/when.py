"""Moved: `gatehand.times`. Stands here until the last reader has followed."""

from gatehand.times import WhenError as WhenError  # noqa: PLC0414 - until its readers have followed
from gatehand.times import when as when  # noqa: PLC0414 - until its readers have followed
