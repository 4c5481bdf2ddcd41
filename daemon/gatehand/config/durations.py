"""Moved: `gatehand.times`. Stands here until the last reader has followed."""

from gatehand.times import seconds as seconds  # noqa: PLC0414 - until its readers have followed
