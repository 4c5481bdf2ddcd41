"""What a board's process runs first, as a board does: a test leads its world, and then it is `main`'s turn."""

from world import WORLD

WORLD.lead()

import main  # noqa: F401
