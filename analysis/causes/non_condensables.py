"""Air in the system."""

from analysis.causes import RECORD, Curve, Narrowed, Weight

CAUSE = "non_condensables"
PRIOR = 0.05
NARROWED: tuple[Narrowed, ...] = ()
COST = 2
PARTS = ("air left at the last service", "leak on a side in vacuum")
TELLING_TEST = "soak overnight and compare static pressure with saturation at the temperature of the metal"
NEXT_CHECK = "static test after a cold soak; identify the refrigerant"
WEIGHTS = (
    Weight("non_condensables seen", 5.5, "air shows at rest and while running", RECORD),
    Weight("non_condensables suspected", 1.2, "a sign of it was seen; it does not settle it", RECORD),
    Weight("non_condensables absent", -1.0, "its signs speak against it", RECORD),
    Curve(
        "static over saturation",
        ((-1.0, -2.5), (0.5, -1.5), (1.2, -0.5), (2.0, 0.7), (3.0, 1.8), (4.5, 2.3)),
        "air adds its own pressure at rest; so does a warm spot",
        "air would add its own pressure at rest",
        "Dalton's law: 20 kPa of air are 1 K at 25 degC (R-134a)",
    ),
    Curve(
        "condensing over ambient",
        ((8.0, -1.2), (13.0, -0.5), (18.0, 0.0), (22.0, 0.3), (25.0, 0.9), (30.0, 1.8)),
        "air takes room in the condenser",
        "the condenser has its room",
    ),
    Curve(
        "subcooling",
        ((4.0, -0.7), (8.0, 0.0), (12.0, 0.9)),
        "the pressure of the air makes the liquid look colder than it is",
        "air would make the liquid look well subcooled",
    ),
    Weight("condenser_airflow_loss comes and goes", -1.5, "air does not come and go"),
    Weight("only when slow", -1.0, "air shows at all speeds"),
    Weight("vacuum hold: leak", 1.0, "air comes in the same way"),
)
