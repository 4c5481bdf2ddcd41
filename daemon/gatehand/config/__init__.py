"""The config: one TOML file, read, checked and built into the rules' `Shop`. `load` is the door.

Who looks for a place: a table's keys stand in `tables.py`, a device's signals in `signals.py`, the ducts in `ducts.py`;
what only shows across tables in the `check_` files, what each mistake means in `codes.py`, line and column in
`positions.py`, the way through all of it in `load.py`. What is not valid TOML is told by `slips.py`, what is misspelt
by `keys.py` and `names.py`, what pydantic finds by `faults_of_values.py`.
"""

from gatehand.config.codes import Severity
from gatehand.config.load import Loaded, load, load_text
from gatehand.config.model import Config
from gatehand.config.problems import Fault, Problem

__all__ = ["Config", "Fault", "Loaded", "Problem", "Severity", "load", "load_text"]
