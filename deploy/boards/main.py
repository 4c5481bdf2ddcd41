"""What a board runs when it is switched on."""

import board

board.start()
