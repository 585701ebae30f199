"""Ice on the evaporator keeps the air from passing."""

from analysis.causes import Narrowed, Weight

CAUSE = "evaporator_icing"
PRIOR = 0.03
NARROWED: tuple[Narrowed, ...] = ()
COST = 2
PARTS = ("evaporator temperature sensor or its seat", "compressor control set too cold", "blower or cabin filter")
TELLING_TEST = "switch cooling off for ten minutes with the blower on: if it cools again, it was ice"
NEXT_CHECK = "read the evaporator sensor against a probe beside it; check cabin filter and blower"
WEIGHTS = (
    Weight("evaporator_icing seen", 5.0, "ice grows below freezing and blocks the air"),
    Weight("evaporator_icing suspected", 1.2, "a sign of it was seen; it does not settle it"),
    Weight("superheat low", 0.7, "the iced evaporator takes up no heat"),
    Weight("superheat high", -1.5, "an iced evaporator does not superheat"),
    Weight("evaporator_icing absent", -3.0, "the vents followed the evaporator"),
)
