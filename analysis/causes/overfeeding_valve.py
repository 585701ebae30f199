"""An expansion valve that lets too much through: low side high, superheat near nil, high side usual."""

from analysis.causes import Narrowed, Weight

CAUSE = "overfeeding_valve"
PRIOR = 0.02
NARROWED: tuple[Narrowed, ...] = ()
COST = 3
PARTS = ("expansion valve stuck open", "its bulb loose or uninsulated", "orifice missing or too large")
TELLING_TEST = "clamp a probe beside the bulb and watch superheat while the bulb is warmed and cooled by hand"
NEXT_CHECK = "look at the bulb's seat and insulation, or the block valve's seat; then measure superheat at even speed"
WEIGHTS = (
    Weight("superheat low", 1.5, "liquid leaves the evaporator"),
    Weight("superheat usual", -3.0, "the evaporator is fed as it should be"),
    Weight("superheat high", -4.0, "the evaporator is starved"),
    Weight("evaporating high", 1.5, "the low side stands high while it pumps"),
    Weight("evaporating usual", -2.0, "the low side stands where it should"),
    Weight("evaporating low", -3.0, "the low side is pulled down"),
    Weight("condensing over ambient low", -0.5, "a weak compressor explains a high low side better"),
    Weight("weak_pumping seen", -1.5, "a weak compressor explains the high low side"),
    Weight("an orifice feeds it", -1.5, "an orifice floods at full load by design; its accumulator takes it"),
)
