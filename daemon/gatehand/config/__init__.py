"""The config: one TOML file, read, checked and built into the rules' `Shop`. `load` is the door.

Who looks for a place: a kind's keys stand in the file of its name, what only shows across tables in `checks/`, line and
column in `positions.py`, wording in `explain.py`, the way through all of it in `load.py`.
"""

from gatehand.config.load import Loaded, load, load_text
from gatehand.config.problems import Fault, Level, Problem
from gatehand.config.tree import Config

__all__ = ["Config", "Fault", "Level", "Loaded", "Problem", "load", "load_text"]
