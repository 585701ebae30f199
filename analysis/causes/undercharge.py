"""Too little refrigerant, by a leak or a short fill."""

from analysis.causes import RECORD, STARVED_COIL, Curve, Narrowed, Weight
from analysis.limits import PRACTICE

CAUSE = "undercharge"
PRIOR = 0.12
NARROWED: tuple[Narrowed, ...] = ()
COST = 3
PARTS = ("leak at hose, seal, condenser or evaporator", "service valve", "short fill at the last service")
TELLING_TEST = (
    "recover and weigh against the rated charge; then find the leak by the method the law allows for this refrigerant"
)
NEXT_CHECK = "leak-check couplers, shaft seal, condenser and service valves; then recover and weigh"
WEIGHTS = (
    Weight("undercharge seen", 3.0, "the signs of too little refrigerant agree", RECORD),
    Weight("undercharge suspected", 1.2, "a sign of it was seen; it does not settle it", RECORD),
    Weight("undercharge undecided", -0.4, "a great loss would have shown in what was recorded", RECORD),
    Weight("undercharge absent", -1.5, "its signs speak against it; a small loss shows late", RECORD),
    Weight("circuit as it should be", -1.5, "the condenser gives off the heat of a fed evaporator"),
    Weight("evaporator starved", 2.0, "too little refrigerant starves the evaporator"),
    Weight("low side far down", -0.5, "a narrow place pulls so deep sooner than a leak"),
    Weight("starved, meets slowly", -0.7, "little refrigerant has quickly met"),
    Weight("starved, meets quickly", 0.5, "little refrigerant has quickly met"),
    Curve(
        "charge over rated",
        ((-0.35, 4.0), (-0.25, 2.8), (-0.15, 0.5), (-0.05, -1.5), (0.0, -2.8), (0.12, -3.5)),
        "weighed: nothing else takes refrigerant away",
        "weighed: it is all there",
        "systems cool well down to about three quarters of their charge; " + PRACTICE,
    ),
    Curve(
        "superheat",
        ((3.0, -1.5), (8.0, -0.7), (14.0, 0.0), (20.0, 1.0), (30.0, 1.5)),
        "the evaporator is starved",
        "the evaporator is fed",
        "5-15 K at the compressor inlet is usual; " + PRACTICE,
    ),
    Curve(
        "subcooling",
        ((1.0, 1.2), (4.0, 0.3), (6.0, -0.3), (10.0, -1.0), (15.0, -2.5)),
        "hardly any liquid stands in the condenser",
        "liquid stands in the condenser",
        "4-12 K is usual; " + PRACTICE,
    ),
    STARVED_COIL,
    Curve(
        "condensing over ambient",
        ((6.0, 0.5), (14.0, 0.0), (25.0, -1.2)),
        "too little refrigerant leaves the high side low",
        "too little refrigerant would leave the high side low",
    ),
    Curve(
        "static over saturation",
        ((-6.0, 2.5), (-3.0, 1.0), (-1.5, 0.0)),
        "hardly any liquid is left",
        "there is liquid at rest",
        "without liquid the pressure falls below saturation",
    ),
    Weight("evaporator_icing seen", -2.0, "ice keeps the air away and the heat with it"),
    Weight("moisture_freeze seen", -1.5, "a valve that freezes starves the evaporator for a while"),
    Weight("weak_pumping seen", -1.0, "a weak compressor explains the low high side"),
    Weight("vacuum hold: leak", 2.0, "what lets air in lets refrigerant out"),
    Weight("vacuum hold: tight", -1.0, "no leak showed in a vacuum; under pressure one may"),
)
