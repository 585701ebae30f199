"""A narrow place in the liquid line, drier, valve or orifice."""

from analysis.causes import Narrowed, Weight

CAUSE = "restriction"
PRIOR = 0.04
NARROWED: tuple[Narrowed, ...] = (
    Narrowed(
        "restriction: freed_itself",
        ("expansion valve that sticks", "dirt or desiccant that moves in line, drier or valve", "hose that collapses"),
        "measure the liquid line before and after drier and valve while it happens: it is cold behind the part",
        "look for dirt and desiccant in valve, orifice or drier; feel the hoses for a soft place",
    ),
)
COST = 4
PARTS = ("expansion valve or orifice", "receiver-drier", "pinched line")
TELLING_TEST = "feel and measure for a temperature drop along the liquid line; compare subcooling with superheat"
NEXT_CHECK = "measure the liquid line before and after drier and valve"
WEIGHTS = (
    Weight("restriction seen", 5.0, "the signs of a narrow place agree"),
    Weight("restriction: freed_itself", 0.5, "a valve that sticks or dirt that moves on frees itself"),
    Weight("restriction suspected", 1.2, "a sign of it was seen; it does not settle it"),
    Weight("restriction absent", -2.0, "its signs speak against it"),
    Weight("evaporator starved", 1.8, "a narrow place starves the evaporator"),
    Weight("low side far down", 1.0, "what little comes through is drawn off: a leak seldom pulls so deep"),
    Weight("starved, meets slowly", 0.9, "the sides meet through the narrow place"),
    Weight("starved, meets quickly", -0.7, "the way between the sides is open"),
    Weight("condensing over ambient high", -1.0, "little heat comes to the condenser behind a narrow place"),
    Weight("charge short", -1.5, "the missing charge explains the starved evaporator"),
    Weight("subcooling low", -1.5, "liquid does not back up behind a narrow place"),
    Weight("subcooling high", 0.7, "liquid backs up"),
    Weight("superheat high", 1.0, "the evaporator is starved"),
    Weight("superheat usual", -1.5, "the evaporator is fed"),
    Weight("superheat low", -2.0, "the evaporator is fed"),
    Weight("cools when it pumps", -2.0, "a starved evaporator does not cool its air so closely"),
    Weight("undercharge: orifice_open", -2.0, "a blocked orifice lets the sides meet slowly"),
)
