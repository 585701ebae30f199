"""Ice on the evaporator keeps the air from passing."""

from analysis.causes import RECORD, Curve, Narrowed, Weight

CAUSE = "evaporator_icing"
PRIOR = 0.04
NARROWED: tuple[Narrowed, ...] = ()
COST = 2
PARTS = ("evaporator temperature sensor or its seat", "compressor control set too cold", "blower or cabin filter")
TELLING_TEST = "switch cooling off for ten minutes with the blower on: if it cools again, it was ice"
NEXT_CHECK = "read the evaporator sensor against a probe beside it; check cabin filter and blower"
WEIGHTS = (
    Weight("evaporator_icing seen", 5.8, "ice grows below freezing and blocks the air", RECORD),
    Weight("evaporator_icing suspected", 1.2, "a sign of it was seen; it does not settle it", RECORD),
    Weight("evaporator starved", 1.0, "an iced evaporator takes up as little heat as a starved one"),
    Curve(
        "evaporating",
        ((-8.0, 1.0), (-3.0, 0.0), (1.0, -1.0), (4.0, -2.5)),
        "the evaporator runs below freezing",
        "an evaporator above freezing does not ice",
        "water freezes at 0 degC; line drop and fins put the coil a few kelvin above the reading",
    ),
    Curve(
        "superheat",
        ((3.0, 0.7), (8.0, 0.0), (16.0, -1.5)),
        "the iced evaporator takes up no heat",
        "an iced evaporator does not superheat",
    ),
    Weight("evaporator_icing absent", -2.3, "the vents followed the evaporator", RECORD),
)
