"""The compressor pumps weakly."""

from analysis.causes import RECORD, Curve, Narrowed, Weight
from analysis.limits import PRACTICE

CAUSE = "weak_pumping"
PRIOR = 0.06
NARROWED: tuple[Narrowed, ...] = (
    Narrowed(
        "weak_pumping: duty_full",
        ("control valve that sticks", "worn pistons, valves or gasket", "slipping belt or coupling"),
        "measure the valve's current at that duty: none is valve or wiring, full current is the compressor",
        "measure the valve's current and resistance; look at belt and coupling, engine off",
    ),
    Narrowed(
        "weak_pumping: duty_low",
        ("the control that turned it down", "a sensor that the control reads", "the drive signal's wiring"),
        "read what the control asks for and its pressure and evaporator sensors meanwhile",
        "read the fault codes and the control's own pressure reading against the transducers",
    ),
)
COST = 2
PARTS = (
    "control valve of a variable compressor",
    "its drive signal or wiring",
    "worn pistons, valves or gasket",
    "slipping belt",
)
TELLING_TEST = (
    "log the control valve's duty: full duty without lift is the compressor, low duty is its control or wiring"
)
NEXT_CHECK = "measure the control valve's supply and resistance; compare both sides at full demand"
WEIGHTS = (
    Weight("weak_pumping seen", 4.6, "little lift although it was driven, with warm vents", RECORD),
    Weight("weak_pumping suspected", 2.0, "a sign of it was seen; it does not settle it", RECORD),
    Weight("weak_pumping comes and goes", 0.7, "a control valve or its wiring comes and goes, wear does not"),
    Weight("weak_pumping: duty_full", 1.0, "it was asked for full stroke and did not pump"),
    Weight("weak_pumping: duty_low", -1.5, "it was told to pump little: the control is to be asked"),
    Weight("compressor_dropout: lift_lost", 2.2, "leaking valves lose lift as a slipping clutch does"),
    Weight("stopped mechanical", 1.0, "broken valves let the sides meet as a clutch does that slips through"),
    Weight("weak_pumping absent", -1.1, "the lift held while it was driven; a small loss may not show", RECORD),
    Curve(
        "evaporating",
        ((0.0, -0.7), (5.0, 0.0), (9.0, 0.7), (14.0, 1.5)),
        "the low side is not drawn down",
        "the low side is drawn down",
        "0-8 degC is usual; " + PRACTICE,
    ),
    Curve(
        "condensing over ambient",
        ((6.0, 0.5), (13.0, 0.0), (20.0, -0.7), (28.0, -1.5)),
        "little heat comes to the condenser",
        "what it pumps comes to the condenser",
    ),
)
