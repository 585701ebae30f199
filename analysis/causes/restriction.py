"""A narrow place in the liquid line, drier, valve or orifice."""

from analysis.causes import RECORD, STARVED_COIL, Curve, Narrowed, Weight
from analysis.limits import PRACTICE

CAUSE = "restriction"
PRIOR = 0.08
NARROWED: tuple[Narrowed, ...] = (
    Narrowed(
        "restriction: freed_itself",
        ("expansion valve that sticks", "dirt or desiccant that moves in line, drier or valve", "hose that collapses"),
        "measure the liquid line before and after drier and valve while it happens: it is cold behind the part",
        "look for dirt and desiccant in valve, orifice or drier; feel the hoses for a soft place",
    ),
)
COST = 2
PARTS = ("expansion valve or orifice", "receiver-drier", "pinched line")
TELLING_TEST = "feel and measure for a temperature drop along the liquid line; compare subcooling with superheat"
NEXT_CHECK = "measure the liquid line before and after drier and valve"
WEIGHTS = (
    Weight("restriction seen", 4.3, "the signs of a narrow place agree", RECORD),
    Weight("restriction: freed_itself", 0.5, "a valve that sticks or dirt that moves on frees itself"),
    Weight("restriction suspected", 1.8, "a sign of it was seen; it does not settle it", RECORD),
    Weight(
        "restriction absent", -1.5, "its signs speak against it; one that comes and goes may not have shown", RECORD
    ),
    Weight("moisture_freeze seen", 1.0, "a particle or a valve that sticks closes and frees itself like ice"),
    Weight("circuit as it should be", -1.5, "the condenser gives off the heat of a fed evaporator"),
    Weight("evaporator starved", 1.8, "a narrow place starves the evaporator"),
    Weight("low side far down", 1.0, "what little comes through is drawn off: a leak seldom pulls so deep"),
    Weight("starved, meets slowly", 0.9, "the sides meet through the narrow place"),
    Weight("starved, meets quickly", -0.7, "the way between the sides is open"),
    Curve(
        "charge over rated",
        ((-0.4, -2.2), (-0.2, -1.2), (-0.08, 0.0)),
        "weighed",
        "the missing charge explains the starved evaporator",
    ),
    Curve(
        "superheat",
        ((3.0, -1.5), (8.0, -0.7), (14.0, 0.0), (20.0, 0.8), (30.0, 1.2)),
        "the evaporator is starved",
        "the evaporator is fed",
        "5-15 K at the compressor inlet is usual; " + PRACTICE,
    ),
    Curve(
        "subcooling",
        ((1.0, -1.5), (4.0, -0.5), (10.0, 0.3), (15.0, 0.7)),
        "liquid backs up",
        "liquid does not back up behind a narrow place",
        "4-12 K is usual; " + PRACTICE,
    ),
    STARVED_COIL,
    Curve(
        "condensing over ambient",
        ((8.0, 0.4), (14.0, 0.0), (25.0, -1.0)),
        "little heat comes to the condenser behind a narrow place",
        "much heat comes to the condenser",
    ),
    Weight("undercharge: orifice_open", -2.0, "a blocked orifice lets the sides meet slowly"),
)
