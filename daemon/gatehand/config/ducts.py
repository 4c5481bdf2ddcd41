"""The duct tables of the config: [airflow], [fan.*], [duct.*], as written, in the units that the person chose.

Shape and single values are checked here, what lies between the tables in `check_ducts.py`. Conversion to the solver's
units belongs to `gatehand.air`; no formula may enter this file.
"""

from itertools import pairwise
from typing import Annotated, Final, Literal, Self, TypeAlias

from pydantic import Field, PlainValidator, WithJsonSchema, field_validator, model_validator

from gatehand.config import codes
from gatehand.config.values import NameOf, Number, Seconds, TomlTable, fail, unknown_word
from gatehand.text import found, only_near, shown
from gatehand_air.fittings import DUSTS, ENTRIES, FITTINGS, MATERIALS

SMALLEST: Final = 1e-6
LARGEST: Final = 1e9
"""In any unit: what is beyond is no number of a duct, and would only end in an overflow."""


def _sized(value: object, wanted: str) -> float:
    # an integer of many digits is compared before anything is asked of it as a float, which it cannot become
    if isinstance(value, bool) or not isinstance(value, int | float) or not value >= 0:
        raise fail(codes.BAD_NUMBER, f"{found(value)}; wanted {wanted}")
    if value != 0 and not SMALLEST <= value <= LARGEST:
        raise fail(codes.BAD_NUMBER, f"{found(value)}; wanted {wanted}, and of a sensible size")
    return float(value)


def _not_negative(value: object) -> float:
    return _sized(value, "a number of 0 or more")


def _positive(value: object) -> float:
    if (result := _sized(value, "a number above 0")) == 0:
        raise fail(codes.BAD_NUMBER, f"{found(value)}; wanted a number above 0")
    return result


def _tools(value: object) -> object:
    """One tool's name, or a list of names."""
    names = [value] if isinstance(value, str) else value
    if not isinstance(names, list | tuple) or not names or not all(isinstance(name, str) and name for name in names):
        raise fail(
            codes.WRONG_KIND,
            f'{found(value)}; wanted a tool\'s name in quotes, or a list such as ["jointer", "drum_sander"]',
        )
    return tuple(names)


_NAMES = {"anyOf": [{"type": "string"}, {"type": "array", "items": {"type": "string"}, "minItems": 1}]}

Positive = Annotated[float, PlainValidator(_positive), WithJsonSchema({"type": "number", "exclusiveMinimum": 0})]
NotNegative = Annotated[float, PlainValidator(_not_negative), WithJsonSchema({"type": "number", "minimum": 0})]
Names = Annotated[tuple[str, ...], PlainValidator(_tools), WithJsonSchema(_NAMES)]
CurvePair: TypeAlias = tuple[NotNegative, NotNegative]


class Airflow(TomlTable):
    """[airflow]: units and what the air should do. What is left out takes the default of `gatehand.air`."""

    units: Literal["us", "metric"] = "us"
    """us: in, ft, cfm, in.w.g., ft/min, degrees F. metric: mm, m, m3/h, Pa, m/s, degrees C."""
    min_velocity: Positive | None = None
    """Transport velocity wanted in branches, where the hood names no dust; default 4000 ft/min or 20 m/s."""
    main_velocity: Positive | None = None
    """Transport velocity wanted in the ducts that carry at least three hoods of four; default 3500 ft/min or 18 m/s."""
    temperature: Number | None = None
    """Of the air in the shop; default 68 F or 20 C."""
    altitude: Number = 0.0
    """Above the sea, ft or m."""
    friction: Literal["swamee_jain", "colebrook"] = "swamee_jain"
    """The law of friction: Swamee and Jain's explicit form, or Colebrook's equation, its parent, which takes longer."""
    particle_speed: Positive = 0.5
    """Speed of the dust over that of the air, for the time to clear; at most 1."""

    @model_validator(mode="after")
    def _sensible(self) -> Self:
        if self.particle_speed > 1:
            raise fail(
                codes.BAD_NUMBER,
                f"particle_speed = {self.particle_speed:g}: dust is not faster than the air; wanted 1 at most",
                key="particle_speed",
            )
        if self.temperature is not None:
            celsius = self.temperature if self.units == "metric" else (self.temperature - 32) / 1.8
            if not -40 <= celsius <= 80:  # noqa: PLR2004
                raise fail(
                    codes.BAD_NUMBER,
                    f"temperature = {self.temperature:g}: wanted the temperature of the shop's air, -40 to 80 C (-40 "
                    f"to 176 F)",
                    key="temperature",
                )
        metres = self.altitude if self.units == "metric" else self.altitude * 0.3048
        if not -500 <= metres <= 6000:  # noqa: PLR2004
            raise fail(
                codes.BAD_NUMBER,
                f"altitude = {self.altitude:g}: wanted -500 to 6000 m (-1600 to 19700 ft)",
                key="altitude",
            )
        return self


class FilterLoss(TomlTable):
    """Pressure lost in the filter at one flow, clean and dirty."""

    clean: NotNegative = Field(description="Pressure lost with a clean filter.")
    dirty: NotNegative = Field(description="Pressure lost when it is due for cleaning.")
    at: Positive = Field(description="The flow at which both were measured.")
    exponent: Positive = 2.0
    """Loss goes with flow to this power: 2, or down to 1 for a filter that was measured so."""

    @model_validator(mode="after")
    def _sensible(self) -> Self:
        if self.dirty < self.clean:
            raise fail(
                codes.BAD_NUMBER,
                f"dirty = {self.dirty:g} is below clean = {self.clean:g}: a dirty filter loses more",
                key="dirty",
            )
        if not 1 <= self.exponent <= 2:  # noqa: PLR2004
            raise fail(
                codes.BAD_NUMBER,
                f"exponent = {self.exponent:g}: wanted 2 (loss with the square of flow) down to 1 (with flow)",
                key="exponent",
            )
        return self


_BY_FLOW: Final = "list the curve's points by rising flow, each as [flow, static pressure]"
FAN_STATIC: Final = "fan_static"


class InletPipe(TomlTable):
    """A pipe before the fan, in which a gauge read the static suction at each flow."""

    inlet_pipe: Positive = Field(description="Inside diameter of the pipe, in or mm.")


class FanSpeed(TomlTable):
    """Revolutions a minute: at which the curve was drawn, and at which the fan runs."""

    curve: Positive = Field(description="The speed at which the curve was drawn.")
    run: Positive = Field(description="The speed at which it runs: flow goes with it, pressure with its square.")


class Fan(TomlTable):
    """[fan.NAME], named after its collector; one with another name is there to compare with."""

    curve: tuple[CurvePair, ...] = Field(
        description="(flow, pressure) for standard air, flow rising, pressure falling."
    )
    measured: InletPipe | None = None
    """The curve's pressure: "fan_static", or { inlet_pipe = 6 }: static suction in an inlet pipe of that diameter."""
    speed: FanSpeed | None = None
    """Only where the fan turns at another speed than its curve was drawn for."""
    filter_loss: FilterLoss | None = None
    """What the filter costs."""

    @field_validator("measured", mode="before")
    @classmethod
    def _known_pressure(cls, value: object) -> object:
        if isinstance(value, dict) or value == FAN_STATIC:
            return None if value == FAN_STATIC else value
        text = 'wanted "fan_static", or { inlet_pipe = 6 } with the diameter of the pipe in which the gauge was'
        code, fix = codes.WRONG_KIND, None
        if isinstance(value, str):
            code, fix = codes.UNKNOWN_WORD, only_near(value, (FAN_STATIC,))
        raise fail(code, f"{found(value)}; {text}", fix=fix)

    @field_validator("curve", mode="before")
    @classmethod
    def _points(cls, value: object) -> object:
        points = value if isinstance(value, list | tuple) else [value]
        odd = next((each for each in points if not isinstance(each, list | tuple) or len(each) > 2), None)  # noqa: PLR2004
        if odd is not None:
            text = "wanted points of [flow, static pressure]: [[0, 11.0], [400, 10.4], [800, 8.1]]"
            raise fail(codes.BAD_CURVE, f"{found(odd)}; {text}")
        return value

    @field_validator("curve")
    @classmethod
    def _falls(cls, curve: tuple[tuple[float, float], ...]) -> tuple[tuple[float, float], ...]:
        if len(curve) < 2:  # noqa: PLR2004
            raise fail(codes.BAD_CURVE, "a fan's curve needs at least two points [flow, static pressure]")
        for (q0, p0), (q1, p1) in pairwise(curve):
            if q1 <= q0:
                raise fail(codes.BAD_CURVE, f"flow {q1:g} follows {q0:g}: {_BY_FLOW}")
            if p1 > p0:
                raise fail(
                    codes.BAD_CURVE,
                    f"pressure rises from {p0:g} to {p1:g} between flow {q0:g} and {q1:g}: a fan is unsteady left of"
                    " its curve's top; leave out the points before the top",
                )
        if curve[0][1] <= curve[-1][1]:
            raise fail(codes.BAD_CURVE, "the curve is flat: pressure must fall from the first point to the last")
        return curve


_A_FITTING: Final = 'a fitting is a name such as "elbow_90", or { k = 0.3 }, or { reducer = 4 }'


class FittingTable(TomlTable):
    """One fitting: a name, `{ k = 0.3 }`, or `{ reducer = 4, angle = 30 }` where the duct goes over to another size."""

    name: NameOf | None = None
    """A fitting by its name, such as elbow_90."""
    k: NotNegative | None = None
    """Loss factor on the velocity pressure where it is."""
    reducer: Positive | None = None
    """The diameter at the fan's side; all fittings listed after it are of that."""
    angle: Positive | None = None
    """Full cone angle in degrees, up to 180; without it the step is sudden."""

    @model_validator(mode="before")
    @classmethod
    def _from_text(cls, value: object) -> object:
        name = value.get("name") if isinstance(value, dict) else value
        if not isinstance(value, str | dict | FittingTable):
            raise fail(codes.BAD_DUCT, f"{found(value)}; {_A_FITTING}")
        if isinstance(name, str) and name not in FITTINGS:
            raise unknown_word(name, FITTINGS, "fitting", key=None if isinstance(value, str) else "name")
        return {"name": value} if isinstance(value, str) else value

    @model_validator(mode="after")
    def _one_kind(self) -> Self:
        if sum(x is not None for x in (self.name, self.k, self.reducer)) != 1:
            raise fail(codes.BAD_DUCT, _A_FITTING)
        if self.angle is not None and (self.reducer is None or self.angle > 180):  # noqa: PLR2004
            text = "angle is the full cone angle of a reducer, up to 180 degrees: { reducer = 4, angle = 30 }"
            raise fail(codes.BAD_DUCT, text, key="angle")
        return self


class Leak(TomlTable):
    """What passes the gate when it is shut: a flow at a pressure. It goes with the root of the pressure."""

    flow: Positive = Field(description="What passes.")
    at: Positive = Field(description="The pressure at which it was measured.")


class MachineLoss(TomlTable):
    """Pressure lost inside the machine behind the hood; it goes with the square of flow. 0: it loses nothing."""

    loss: NotNegative = Field(description="The pressure lost.")
    at: Positive = Field(description="The flow at which it was measured.")

    @model_validator(mode="before")
    @classmethod
    def _from_zero(cls, value: object) -> object:
        if value == 0 and isinstance(value, int | float) and not isinstance(value, bool):
            return {"loss": 0, "at": 1}
        if not isinstance(value, dict):
            raise fail(codes.WRONG_KIND, f"{found(value)}; wanted 0, or the loss at a flow: {{ loss = 1.8, at = 400 }}")
        return value


class Hood(TomlTable):
    """Where the air enters."""

    entry: str | float = "plain"
    """plain, flanged, bell, grinder_straight, grinder_tapered, or a factor on the duct's velocity pressure."""
    flow: Positive | None = None
    """Flow wanted."""
    tool: Names | None = None
    """The tool or tools served: names of [tool.*] or kinds such as "table_saw"; they give the default of `flow`."""
    dust: str | None = None
    """fine, shavings or heavy: sets the transport velocity of every duct that carries it."""
    machine_loss: MachineLoss | None = None
    """Pressure lost inside the machine at a flow, or 0; left out, it is unknown and counts as 0."""
    spin_down: Seconds = 0.0
    """How long the tool throws chips after its motor's current has gone."""

    @field_validator("entry", mode="before")
    @classmethod
    def _known_entry(cls, value: object) -> object:
        if isinstance(value, str) and value in ENTRIES:
            return value
        if isinstance(value, str):
            raise unknown_word(value, ENTRIES, "entry of a hood")
        return _not_negative(value)

    @field_validator("dust", mode="before")
    @classmethod
    def _known_dust(cls, value: object) -> object:
        if isinstance(value, list):
            text = 'wanted one of "fine", "shavings" and "heavy": that which settles first'
            raise fail(codes.WRONG_KIND, f"{found(value)}; {text}")
        if isinstance(value, str) and value is not None and value not in DUSTS:
            raise unknown_word(value, DUSTS, "kind of dust")
        return value


class DuctTable(TomlTable):
    """[duct.NAME]: one length of one diameter.

    Its fittings are listed in the order in which the air meets them, from the hood to the fan. What comes before a
    reducer is of the duct's own diameter, what comes after it of the reducer's; the length is all of the duct's own.
    """

    into: NameOf | None = None
    """The next duct towards the fan; the one at the collector has none."""
    collector: NameOf | None = None
    """Only where there are several: whose fan draws on the duct without `into`."""
    diameter: Positive = Field(description="Inside, in or mm.")
    length: NotNegative = Field(description="Straight length, ft or m, all of it of the duct's own diameter.")
    material: str = "galvanised"
    """What it is made of."""
    roughness: NotNegative | None = None
    """ft or mm; wins over the material's."""
    fittings: tuple[FittingTable, ...] = ()
    """In the order in which the air meets them: names, { k = 0.3 }, { reducer = 4 }; repeat one to count it twice."""
    gate: NameOf | None = None
    """The gate in it: for its own hood, or for all that run into it."""
    hood: Hood | None = None
    """Where the air enters, for a duct that ends."""
    leak: Leak | None = None
    """What passes the shut gate."""

    @field_validator("fittings", mode="before")
    @classmethod
    def _a_list(cls, value: object) -> object:
        if isinstance(value, str):
            raise fail(codes.WRONG_KIND, f"{found(value)}; wanted a list: fittings = [{shown(value)}]")
        return value

    @field_validator("material")
    @classmethod
    def _known_material(cls, value: str) -> str:
        if value not in MATERIALS:
            raise unknown_word(value, MATERIALS, "material")
        return value

    @model_validator(mode="after")
    def _whole(self) -> Self:
        if self.leak is not None and self.gate is None:
            raise fail(codes.BAD_DUCT, "leak is what passes a shut gate; this duct names no gate", key="leak")
        if self.collector is not None and self.into is not None:
            text = "collector belongs to the duct at the collector, the one without into"
            raise fail(codes.BAD_DUCT, text, key="collector")
        return self
