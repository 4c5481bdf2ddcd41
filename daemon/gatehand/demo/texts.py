"""What the demo says around its timeline: what this is, what one can play with, where the log lies, what is next."""

import shlex
import sys
import textwrap
from pathlib import Path

from gatehand.demo.home import CONFIG_NAME

_WIDTH = 79


def opening(*, keep: bool) -> str:
    """What is about to be seen."""
    what = (
        "it stays up for you to play with."
        if keep
        else "a working day in forty seconds. In a real shop run-on and coast-down are longer."
    )
    return textwrap.fill(
        f"An instrument maker's shop, simulated: its devices and the real Gatehand daemon talk over MQTT; {what} "
        "Gatehand is no safety device: the emergency stop here is a contact it listens to, never the stop itself.",
        _WIDTH,
    ) + ("\n" if not keep else "")


def item(text: str) -> str:
    """An item of a list, wrapped."""
    return textwrap.fill(text, _WIDTH, initial_indent="  - ", subsequent_indent="    ")


def closing(home: Path) -> str:
    """Where the log lies and what to do with it."""
    folder, config = shlex.quote(str(home)), shlex.quote(str(home / CONFIG_NAME))
    me = program()
    return f"""
The event log is in {folder}. Try next:
  {me} log --log {folder}
  {me} why carving_router --config {config}
  {me} demo --keep"""


def program() -> str:
    """What the user typed to call us, so that the commands shown can be typed too."""
    typed = Path(sys.argv[0])
    return shlex.quote(str(typed)) if typed.name == "gatehand" else "python -m gatehand"


def invitation(port: int, home: Path) -> str:
    """What one can publish and watch."""
    return f"""
The broker is at 127.0.0.1, port {port} (MQTT 3.1.1, no login).
Publish with any client, for example:
  mosquitto_pub -h 127.0.0.1 -p {port} -t sim/band_saw/switch -m 1

  sim/band_saw/switch            1, 0  a tool on, off: band_saw, jointer,
                                       drum_sander, carving_router
  sim/jointer/amps               2.4   a tool on, drawing so many ampere
  shop/gate/sweep/button         1     the button of the bench sweep
  gatehand/gate/sweep/hand       1, 0  a hand start from any screen, its end
  sim/planing/jam                1, 0  a gate jams, is freed: band_saw,
                                       planing, carving_router, sweep
  sim/sweep/move                 1, 0  a gate is opened, shut by hand
  sim/emergency/press            1, 0  emergency stop pressed, pulled out
  gatehand/collector/main/reset  1     ends the hold that it leaves behind
  sim/main/hand                  1, 0  the collector's own switch
  sim/main/weld                  1, 0  its relay welds (while on), or is new

Watch gatehand/# (what Gatehand shows) and shop/# (what the devices say):
  mosquitto_sub -h 127.0.0.1 -p {port} -v -t 'gatehand/#'
The config is here; change it, and Gatehand takes the change:
  {shlex.quote(str(home / CONFIG_NAME))}
Ctrl-C ends the demo.
"""
