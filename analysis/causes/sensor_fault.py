"""The measurement, not the vehicle."""

from analysis.causes import RECORD, Curve, Narrowed, Weight

CAUSE = "sensor_fault"
PRIOR = 0.05
NARROWED = (
    Narrowed(
        "sensor_fault: swapped_sides",
        ("hoses on each other's ports", "places of the two channels swapped"),
        "unplug one sensor at rest: the channel that falls silent is its own; follow its hose",
        "follow each hose from its port to its sensor, engine off; set the places of the two channels right",
    ),
)
COST = 1
PARTS = ("sensor", "its plug or lead", "its clamp or coupler")
TELLING_TEST = "swap the sensor or its lead and see whether the fault goes with it"
NEXT_CHECK = "wriggle plug and lead while watching; engine off, reseat the coupler and check zero in open air"
WEIGHTS = (
    Weight("sensor_fault seen", 6.0, "no circuit makes such readings", RECORD, proves=True),
    Weight("sensor_fault suspected", 1.2, "a sign of it was seen; it does not settle it", RECORD),
    Weight("circuit as it should be", 1.0, "a vent probe that has slipped out reads the cabin's air"),
    Curve(
        "vent over evaporating",
        ((12.0, 0.0), (17.0, 0.7), (25.0, 1.2)),
        "a vent probe that has slipped out reads the cabin's air",
        "the vent probe follows the evaporator",
    ),
    Weight("sensor_fault absent", -2.0, "the channels behave; a constant offset need not show", RECORD),
)
