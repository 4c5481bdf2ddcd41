"""Calibrates a clamp by two known loads, by hand, at the board's console: `import calibrate`, `calibrate.run()`.

It prints the lines for the hardware part of settings.json and writes nothing. Nothing is sent meanwhile: the board's
own program must not run, so its watchdog is off first ("watchdog_ms": 0, switch the board on anew, then Ctrl-C).
"""

import json
import math

from clamp import Burst
from rms import without_noise
from settings import FILE, Settings, WrongSettings

TYPE_CHECKING = False
if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

BURSTS = 10
APART = 0.05
"""What the two loads give may differ by so much of the mean."""
STEADY = 0.02
"""A known load's bursts may differ by so much."""
OVER_NOISE = 5
"""A load reads at least so many times the noise; 5 times it, noise that is left in makes 2 % [sqrt(1 + 1/25)]."""
RATIO = 1.5
CAUTIONS = """Before anything else:
- Mains wiring is a licensed electrician's work, and local codes decide. This program makes nothing safe.
- Power off and locked, and the conductor proven dead, whenever the clamp is put on, moved or taken off.
- The clamp closes around ONE insulated conductor; around a whole cable it reads nothing. Nothing bare is touched.
- A clamp without a burden of its own is never open while current flows: first the burden, then the conductor.
You need two loads whose current a plug meter shows: a fan heater at half and at full power does well. Behind the meter
comes a test lead whose conductors are insulated one by one, so that the clamp can close around one of them; have an
electrician make it. The larger load is best near the machine's own current. A heater is hot: never leave it alone.
"""


class NotCalibrated(Exception):
    """No number that would be right: why, and what to do."""


class Seen:
    """What some bursts came to: volts RMS, volts of the bias, and how far the bursts lie apart (of their mean)."""

    def __init__(self, rms: float, zero: float, apart: float, clipped: bool) -> None:
        self.rms = rms
        self.zero = zero
        self.apart = apart
        self.clipped = clipped


def look(burst: Burst, bursts: int = BURSTS) -> Seen:
    """Measure so many bursts, a fifth of a second each.

    Raises:
        NotCalibrated: there is nothing to measure.
    """
    squares = zero = most = 0.0
    least = 1e9
    done = failed = 0
    clipped = False
    while done < bursts:
        burst.take()
        burst.find()
        measured = burst.measured()
        if burst.why:
            raise NotCalibrated(burst.why)
        if measured is None:
            failed += 1
            if failed > bursts:
                raise NotCalibrated(
                    "too few samples: %.1f ms between two, 1 at most; does another program run?"
                    % (burst.spacing_us / 1000)
                )
            continue
        rms = burst.volts(measured.rms)
        squares += rms * rms
        zero += burst.volts(measured.offset)
        least, most = min(least, rms), max(most, rms)
        clipped = clipped or measured.clipped
        done += 1
    mean = math.sqrt(squares / done)
    return Seen(mean, zero / done, (most - least) / mean if mean else 0.0, clipped)


def worked_out(noise: float, loads: "Sequence[tuple[float, float]]") -> "tuple[float, float]":
    """Amps per volt, and how far the two loads' own answers lie apart (of the mean).

    Each load counts alike, since a plug meter's error is a share of what it shows: the mean of both [derived here].

    Args:
        noise: volts RMS with no current.
        loads: (amps, volts RMS) of two.

    Raises:
        NotCalibrated: the loads do not fit one another.
    """
    small, large = sorted(loads)
    if large[0] < RATIO * small[0]:
        raise NotCalibrated("the loads are too much alike: the larger wants at least %.1f times the amps" % RATIO)
    ratios = [amps / without_noise(volts, noise) for amps, volts in loads]
    mean = (ratios[0] + ratios[1]) / 2
    apart = abs(ratios[0] - ratios[1]) / mean
    if apart > APART:
        raise NotCalibrated(
            "the loads give %.4g and %.4g amps per volt, %.0f %% apart: look whether the jaws are shut, whether there "
            "is ONE conductor in them, whether the amps are the load's alone, and whether the burden fits the clamp"
            % (ratios[0], ratios[1], apart * 100)
        )
    return mean, apart


def amps_of(text: str) -> "float | None":
    """Amps of an answer such as "5.2", "5.2 A" or, for a heater, "1200 W 231 V"; None: not understood."""
    found: dict[str, float] = {}
    number = None
    for word in text.replace(",", ".").upper().replace("A", " A ").replace("W", " W ").replace("V", " V ").split():
        if word in ("A", "W", "V"):
            if number is None or word in found:
                return None
            found[word] = number
            number = None
        elif number is None:
            try:
                number = float(word)
            except ValueError:
                return None
        else:
            return None
    if number is not None:
        if found:
            return None
        found["A"] = number
    if not found or not all(0 < value < 1e5 for value in found.values()):
        return None
    if "W" in found:
        return found["W"] / found["V"] if len(found) == 2 and "V" in found else None
    return found["A"] if len(found) == 1 and "A" in found else None


def run(
    file: str = FILE,
    ask: "Callable[[str], str]" = input,
    tell: "Callable[[str], None]" = print,
    ticks_us: "Callable[[], int] | None" = None,
) -> None:
    """Ask, measure, and print the lines; what keeps it from that is said, and nothing is printed then."""
    tell(CAUTIONS)
    try:
        _run(Burst(_clamp_of(file), ticks_us), ask, tell)
    except (NotCalibrated, WrongSettings, OSError) as error:
        tell("Not calibrated: %s" % error)


def _clamp_of(file: str) -> Settings:
    """The clamp's part of the settings: a sensor's hardware, or the table `clamp` in a switch's."""
    with open(file) as opened:
        try:
            settings = Settings(json.load(opened))
        except ValueError:
            raise WrongSettings("%s: this is no JSON: a comma or a quote is missing or too many" % file)
    hardware = settings.table("hardware")
    if hardware.get("watchdog_ms", int, 1):
        raise WrongSettings(
            "%s: set watchdog_ms to 0 and switch the board on anew: its watchdog would end this; set it back after"
            % hardware.where
        )
    return hardware.table("clamp") if settings.need("role", str) == "switch" else hardware


def _run(burst: Burst, ask: "Callable[[str], str]", tell: "Callable[[str], None]") -> None:
    ask("The clamp is on, its load is switched off. Press Enter: ")
    off = look(burst)
    if off.clipped:
        raise NotCalibrated("the input stands at %.2f V with no current: look at its bias and its plug" % off.zero)
    tell("zero at %.4f V, noise %.5f V" % (off.zero, off.rms))
    loads = [_load(burst, which, off, ask, tell) for which in ("first", "second")]
    factor, apart = worked_out(off.rms, loads)
    tell("The two loads give the same within %.1f %%; the plug meter's own error comes on top." % (apart * 100))
    if burst.period_us:
        tell("The mains has %.1f Hz." % (1000000 / burst.period_us))
    tell(
        "The noise is that of %.3f A. It is taken off; a current below %.2f A (five times it) is known less well."
        % (off.rms * factor, OVER_NOISE * off.rms * factor)
    )
    tell("For the clamp's part of settings.json:")
    tell('"amps_per_volt": %.4g,\n"zero": %.4f,\n"noise": %.5f,' % (factor, off.zero, off.rms))


def _load(
    burst: Burst, which: str, off: Seen, ask: "Callable[[str], str]", tell: "Callable[[str], None]"
) -> "tuple[float, float]":
    """Amps through the clamp, volts RMS."""
    amps = None
    while amps is None:
        amps = amps_of(ask("The %s load is on. What the plug meter shows, such as 5.2 A or 1200 W 231 V: " % which))
        if amps is None:
            tell("That was not understood: one number of amps, or watts and volts of a heater.")
    turns = 0
    while not 1 <= turns <= 50:
        answer = ask("How often its conductor passes through the clamp (1): ").strip() or "1"
        turns = int(answer) if answer.isdigit() else 0
    seen = look(burst)
    tell("%.3f A gives %.4f V" % (amps * turns, seen.rms))
    if seen.clipped:
        raise NotCalibrated("this current is beyond the converter's range: a smaller load, or a smaller burden")
    if seen.rms <= OVER_NOISE * off.rms:
        raise NotCalibrated(
            "this current is hardly above the noise: a larger load, or the conductor several times through"
        )
    if seen.apart > STEADY:
        raise NotCalibrated("this current is not steady (%.0f %%): wait until the heater is warm" % (seen.apart * 100))
    return amps * turns, seen.rms
