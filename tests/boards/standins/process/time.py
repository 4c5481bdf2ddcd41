"""Stands in for MicroPython's `time`: ticks of 30 bits of a world's clock, and waiting that lets that clock go on.

A file of this name that comes earlier on the path wins over the builtin one. Nothing in here takes real time.
"""

from world import WORLD

PERIOD = 1 << 30
EPOCH_S = 800_000_000


def ticks_ms():
    """Milliseconds, wrapped."""
    WORLD.look(WORLD.look_us)
    return (WORLD.tick_ms + WORLD.us() // 1000) % PERIOD


def ticks_us():
    """Microseconds, wrapped."""
    WORLD.look(WORLD.look_us)
    return (WORLD.tick_ms * 1000 + WORLD.us()) % PERIOD


def ticks_add(ticks, delta):
    """The tick so much later."""
    return (ticks + delta) % PERIOD


def ticks_diff(later, earlier):
    """From one tick to another, as the nearer of the two ways round."""
    return (later - earlier + PERIOD // 2) % PERIOD - PERIOD // 2


def sleep_us(microseconds):
    """Wait."""
    end = WORLD.us() + microseconds
    while WORLD.us() < end:
        WORLD.wait(end - WORLD.us())


def sleep_ms(milliseconds):
    """Wait."""
    sleep_us(milliseconds * 1000)


def sleep(seconds):
    """Wait."""
    sleep_us(int(seconds * 1_000_000))


def time():
    """Seconds since the epoch: some time, as of a board whose clock nobody has set."""
    return EPOCH_S + WORLD.us() // 1_000_000
