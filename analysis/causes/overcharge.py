"""Too much refrigerant."""

from analysis.causes import Narrowed, Weight

CAUSE = "overcharge"
PRIOR = 0.03
NARROWED: tuple[Narrowed, ...] = ()
COST = 3
PARTS = ("overfill at the last service",)
TELLING_TEST = "recover and weigh against the rated charge"
NEXT_CHECK = "ask for the last service record; then recover and weigh"
WEIGHTS = (
    Weight("overcharge seen", 5.0, "the signs of too much refrigerant agree"),
    Weight("overcharge suspected", 1.2, "a sign of it was seen; it does not settle it"),
    Weight("overcharge absent", -2.0, "its signs speak against it"),
    Weight("charge over", 3.0, "the mass was weighed"),
    Weight("charge full", -3.0, "the mass was weighed"),
    Weight("charge short", -3.5, "the mass was weighed"),
    Weight("subcooling high", 1.5, "liquid stands high in the condenser"),
    Weight("subcooling usual", -1.5, "liquid does not stand high in the condenser"),
    Weight("subcooling low", -3.0, "hardly any liquid in the condenser"),
    Weight("condensing over ambient high", 1.2, "the condenser is short of room"),
    Weight("condensing over ambient raised", 1.0, "the condenser may be short of room"),
    Weight("condensing over ambient usual", -1.5, "the condenser has its room between the episodes"),
    Weight("condenser_airflow_loss comes and goes", -1.5, "a charge does not come and go"),
    Weight("only when slow", -1.0, "a charge shows at all speeds"),
)
