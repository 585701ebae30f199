"""An expansion valve that lets too much through: low side high, superheat near nil, high side usual."""

from analysis.causes import Curve, Narrowed, Weight
from analysis.limits import PRACTICE

CAUSE = "overfeeding_valve"
PRIOR = 0.02
NARROWED: tuple[Narrowed, ...] = ()
COST = 2
PARTS = ("expansion valve stuck open", "its bulb loose or uninsulated", "orifice missing or too large")
TELLING_TEST = "clamp a probe beside the bulb and watch superheat while the bulb is warmed and cooled by hand"
NEXT_CHECK = "look at the bulb's seat and insulation, or the block valve's seat; then measure superheat at even speed"
WEIGHTS = (
    Curve(
        "superheat",
        ((1.0, 1.5), (3.0, 0.7), (5.0, -1.0), (8.0, -3.0)),
        "liquid leaves the evaporator",
        "the evaporator is fed as it should be, or less",
        "5-15 K at the compressor inlet is usual; " + PRACTICE,
    ),
    Curve(
        "evaporating",
        ((2.0, -3.0), (7.0, -1.5), (10.0, 0.0), (14.0, 1.5)),
        "the low side stands high while it pumps",
        "the low side stands where it should, or lower",
        "0-8 degC is usual; " + PRACTICE,
    ),
    Weight("an orifice feeds it", -1.5, "an orifice floods at full load by design; its accumulator takes it"),
)
