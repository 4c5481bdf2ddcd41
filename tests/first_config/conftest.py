"""The shell's bench, an engine in a test's hand, is lent for the simulated day."""

import sys
from pathlib import Path

sys.path.append(str(Path(__file__).parents[1] / "shell"))
