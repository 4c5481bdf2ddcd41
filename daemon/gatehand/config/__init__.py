"""The config: one TOML file, read, checked and built into the rules' `Shop`. `load` is the door.

Who looks for a place: a table's keys stand in `tables.py`, a device's signals in `signals.py`, the ducts in `ducts.py`;
what only shows across tables in the `check_` files, line and column in `positions.py`, the words for what pydantic
finds in `problems.py`, the way through all of it in `load.py`.
"""

from gatehand.config.load import Loaded, load, load_text
from gatehand.config.model import Config
from gatehand.config.problems import Fault, Problem, Severity

__all__ = ["Config", "Fault", "Loaded", "Problem", "Severity", "load", "load_text"]
