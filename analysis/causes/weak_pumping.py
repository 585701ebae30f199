"""The compressor pumps weakly."""

from analysis.causes import Narrowed, Weight

CAUSE = "weak_pumping"
PRIOR = 0.04
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
COST = 4
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
    Weight("weak_pumping seen", 5.0, "little lift although it was driven, with warm vents"),
    Weight("weak_pumping suspected", 1.2, "a sign of it was seen; it does not settle it"),
    Weight("weak_pumping comes and goes", 0.7, "a control valve or its wiring comes and goes, wear does not"),
    Weight("weak_pumping: duty_full", 1.0, "it was asked for full stroke and did not pump"),
    Weight("weak_pumping: duty_low", -1.5, "it was told to pump little: the control is to be asked"),
    Weight("weak_pumping absent", -3.0, "the lift held while it was driven"),
)
