"""Air in the system."""

from analysis.causes import Narrowed, Weight

CAUSE = "non_condensables"
PRIOR = 0.02
NARROWED: tuple[Narrowed, ...] = ()
COST = 4
PARTS = ("air left at the last service", "leak on a side in vacuum")
TELLING_TEST = "soak overnight and compare static pressure with saturation at the temperature of the metal"
NEXT_CHECK = "static test after a cold soak; identify the refrigerant"
WEIGHTS = (
    Weight("non_condensables seen", 5.0, "air shows at rest and while running"),
    Weight("non_condensables suspected", 1.2, "a sign of it was seen; it does not settle it"),
    Weight("non_condensables absent", -2.0, "its signs speak against it"),
    Weight("static above saturation", 3.5, "air adds its own pressure at rest"),
    Weight("static on saturation", -3.0, "air would add its own pressure at rest"),
    Weight("condensing over ambient high", 1.2, "air takes room in the condenser"),
    Weight("condensing over ambient raised", 1.0, "air may take room in the condenser"),
    Weight("condensing over ambient usual", -1.5, "the condenser has its room between the episodes"),
    Weight("condenser_airflow_loss comes and goes", -1.5, "air does not come and go"),
    Weight("only when slow", -1.0, "air shows at all speeds"),
    Weight("vacuum hold: leak", 1.0, "air comes in the same way"),
)
