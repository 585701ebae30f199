"""The measurement, not the vehicle."""

from analysis.causes import Curve, Narrowed, Weight

CAUSE = "sensor_fault"
PRIOR = 0.05
NARROWED: tuple[Narrowed, ...] = ()
COST = 1
PARTS = ("sensor", "its plug or lead", "its clamp or coupler")
TELLING_TEST = "swap the sensor or its lead and see whether the fault goes with it"
NEXT_CHECK = "reseat plug and coupler, check zero in open air, wriggle the lead while watching"
WEIGHTS = (
    Weight("sensor_fault seen", 6.0, "no circuit makes such readings", proves=True),
    Weight("sensor_fault suspected", 1.2, "a sign of it was seen; it does not settle it"),
    Weight("circuit as it should be", 1.0, "a vent probe that has slipped out reads the cabin's air"),
    Curve(
        "vent over evaporating",
        ((12.0, 0.0), (17.0, 0.7), (25.0, 1.2)),
        "a vent probe that has slipped out reads the cabin's air",
        "the vent probe follows the evaporator",
    ),
    Weight("sensor_fault absent", -1.3, "the channels behave; a constant offset need not show"),
)
