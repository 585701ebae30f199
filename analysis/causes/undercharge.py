"""Too little refrigerant, by a leak or a short fill."""

from analysis.causes import Narrowed, Weight

CAUSE = "undercharge"
PRIOR = 0.08
NARROWED: tuple[Narrowed, ...] = ()
COST = 3
PARTS = ("leak at hose, seal, condenser or evaporator", "service valve", "short fill at the last service")
TELLING_TEST = (
    "recover and weigh against the rated charge; then find the leak by the method the law allows for this refrigerant"
)
NEXT_CHECK = "leak-check couplers, shaft seal, condenser and service valves; then recover and weigh"
WEIGHTS = (
    Weight("undercharge seen", 3.0, "the signs of too little refrigerant agree"),
    Weight("undercharge suspected", 1.2, "a sign of it was seen; it does not settle it"),
    Weight("evaporator starved", 2.0, "too little refrigerant starves the evaporator"),
    Weight("low side far down", -0.5, "a narrow place pulls so deep sooner than a leak"),
    Weight("starved, meets slowly", -0.7, "little refrigerant has quickly met"),
    Weight("starved, meets quickly", 0.5, "little refrigerant has quickly met"),
    Weight("circuit as it should be", -1.0, "the condenser gives off the heat of a fed evaporator"),
    Weight("condensing over ambient high", -1.5, "too little refrigerant leaves the high side low"),
    Weight("charge short", 3.0, "the mass was weighed"),
    Weight("charge full", -3.0, "the mass was weighed"),
    Weight("charge over", -3.5, "the mass was weighed"),
    Weight("subcooling low", 1.0, "no liquid stands in the condenser"),
    Weight("subcooling high", -2.5, "liquid backs up in the condenser"),
    Weight("superheat high", 1.0, "the evaporator is starved"),
    Weight("superheat low", -1.5, "the evaporator is fed"),
    Weight("static below saturation", 2.5, "hardly any liquid is left"),
    Weight("restriction seen", -1.5, "a narrow place explains the starved evaporator"),
    Weight("evaporator_icing seen", -2.0, "ice keeps the air away and the heat with it"),
    Weight("moisture_freeze seen", -1.5, "a valve that freezes starves the evaporator for a while"),
    Weight("weak_pumping seen", -1.0, "a weak compressor explains the low high side"),
    Weight("cools when it pumps", -1.5, "a starved evaporator does not cool its air so closely"),
    Weight("vacuum hold: leak", 2.0, "what lets air in lets refrigerant out"),
    Weight("vacuum hold: tight", -1.0, "no leak showed in a vacuum; under pressure one may"),
    Weight("undercharge absent", -2.0, "its signs speak against it"),
)
