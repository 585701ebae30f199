"""The compressor pumps weakly."""

from analysis.causes import Narrowed, Weight

CAUSE = "weak_pumping"
PRIOR = 0.04
NARROWED: tuple[Narrowed, ...] = ()
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
    Weight("weak_pumping comes and goes", 0.7, "a control valve or its wiring comes and goes, wear does not"),
    Weight("weak_pumping absent", -3.0, "the lift held while it was driven"),
)
