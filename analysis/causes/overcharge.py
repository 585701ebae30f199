"""Too much refrigerant."""

from analysis.causes import RECORD, Curve, Narrowed, Weight
from analysis.limits import PRACTICE

CAUSE = "overcharge"
PRIOR = 0.06
NARROWED: tuple[Narrowed, ...] = ()
COST = 3
PARTS = ("overfill at the last service",)
TELLING_TEST = "recover and weigh against the rated charge"
NEXT_CHECK = "ask for the last service record; then recover and weigh"
WEIGHTS = (
    Weight("overcharge seen", 4.7, "the signs of too much refrigerant agree", RECORD),
    Weight("overcharge suspected", 1.2, "a sign of it was seen; it does not settle it", RECORD),
    Weight("overcharge absent", -1.5, "its signs speak against it", RECORD),
    Curve(
        "charge over rated",
        ((-0.15, -3.5), (0.0, -3.0), (0.08, -1.0), (0.15, 1.0), (0.25, 3.0), (0.5, 4.0)),
        "weighed: that is too much",
        "weighed: it is not too much",
    ),
    Curve(
        "subcooling",
        ((3.0, -2.0), (6.0, -1.0), (10.0, 0.0), (14.0, 1.0), (20.0, 1.8)),
        "liquid stands high in the condenser",
        "liquid does not stand high in the condenser",
        "4-12 K is usual; " + PRACTICE,
    ),
    Curve(
        "condensing over ambient",
        ((8.0, -1.2), (13.0, -0.5), (18.0, 0.0), (22.0, 0.3), (25.0, 0.9), (30.0, 1.8)),
        "liquid takes room in the condenser",
        "the condenser has its room",
    ),
    Weight("condenser_airflow_loss comes and goes", -1.5, "a charge does not come and go"),
    Weight("only when slow", -1.0, "a charge shows at all speeds"),
    Weight("evaporator starved", -1.5, "too much refrigerant starves nothing"),
)
