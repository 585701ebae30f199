"""The expansion valve hunts."""

from analysis.causes import RECORD, Narrowed, Weight

CAUSE = "valve_hunting"
PRIOR = 0.06
NARROWED: tuple[Narrowed, ...] = ()
COST = 1
PARTS = ("expansion valve", "its bulb or capillary, or their insulation", "a compressor control that swings")
TELLING_TEST = "record superheat at the evaporator outlet: it swings with the low side where the valve hunts"
NEXT_CHECK = "check the seat and insulation of the bulb (block valve: its seat); try an even engine speed"
WEIGHTS = (
    Weight("valve_hunting seen", 5.3, "no stop of the compressor makes it", RECORD),
    Weight("valve_hunting suspected", 1.2, "a sign of it was seen; it does not settle it", RECORD),
    Weight("valve_hunting absent", -2.0, "the low side held still while it ran on", RECORD),
)
