"""Moved: `gatehand.text`. Stands here until the last reader has followed."""

from gatehand.text import found as found  # noqa: PLC0414 - until its readers have followed
from gatehand.text import listed as listed  # noqa: PLC0414 - until its readers have followed
from gatehand.text import named as named  # noqa: PLC0414 - until its readers have followed
from gatehand.text import nearest as nearest  # noqa: PLC0414 - until its readers have followed
from gatehand.text import shown as shown  # noqa: PLC0414 - until its readers have followed
