"""Where the story finds the people and devices that it borrows: the helpers of other areas' tests."""

import sys
from pathlib import Path
from typing import Final

TESTS: Final = Path(__file__).resolve().parents[1]
BORROWED: Final = ("first_config", "exercise")

for place in (TESTS, *(TESTS / area for area in BORROWED)):
    if str(place) not in sys.path:
        sys.path.append(str(place))
