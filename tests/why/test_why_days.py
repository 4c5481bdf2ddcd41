"""Every refusal and every missed start of simulated days is asked about: each line that is shown is needed.

Twenty mornings; `python -m tests.long why` plays two hundred whole days.
"""

import os
import statistics
from collections.abc import Callable
from pathlib import Path

import pytest

from why.why_days import Tally

DAYS = int(os.environ.get("GATEHAND_WHY_DAYS", "20"))
SEED = os.environ.get("GATEHAND_WHY_DAYS_SEED", "ci")
SECONDS = float(os.environ.get("GATEHAND_WHY_DAYS_SECONDS", "6000"))


@pytest.mark.slow
def test_every_line_shown_is_needed_and_each_answer_is_about_what_was_asked(
    tmp_path: Path, tell: Callable[[str], None]
) -> None:
    tally = Tally()
    for number in range(DAYS):
        tally.ask_all(f"{SEED}.{number}", tmp_path / str(number), SECONDS)
    shown = statistics.median(tally.lines)
    tell(
        f"{DAYS} days, {tally.asked} refusals and missed starts asked about, {tally.unproven} not recorded; "
        f"{tally.needed} causes shown, each needed; {shown:g} lines at the median, {max(tally.lines)} at most"
    )
    assert tally.wrong == []
    assert tally.asked >= DAYS
    assert tally.needed >= DAYS
    assert tally.unproven <= tally.asked // 10
    assert shown <= 5
