"""Water in the system freezes in the valve."""

from analysis.causes import RECORD, Narrowed, Weight

CAUSE = "moisture_freeze"
PRIOR = 0.05
NARROWED: tuple[Narrowed, ...] = ()
COST = 4
PARTS = ("spent receiver-drier or accumulator", "moisture let in at the last service", "leak on a side in vacuum")
TELLING_TEST = (
    "let it rest warm until it cools again, then watch for the next dive; warm the valve gently by hand, never by flame"
)
NEXT_CHECK = "recover, replace the drier, evacuate long and watch the rise, recharge by weight"
WEIGHTS = (
    Weight("moisture_freeze seen", 4.3, "ice closes the valve", RECORD),
    Weight("moisture_freeze suspected", 1.2, "a sign of it was seen; it does not settle it", RECORD),
    Weight("moisture_freeze: freed_itself", 0.5, "ice thaws; dirt seldom comes loose by itself"),
    Weight("moisture_freeze comes and goes", 0.5, "it freezes again when the valve is cold again"),
    Weight("restriction: freed_itself", 0.7, "ice that closes a valve only in part would look alike"),
    Weight("restriction comes and goes", 1.0, "ice that has not shut the valve passes some, as a narrow place does"),
    Weight("evaporator starved", 0.7, "a valve shut by ice starves the evaporator"),
    Weight("vacuum hold: moisture", 2.0, "water boiled in the circuit"),
    Weight("moisture_freeze absent", -2.3, "the low side never dived", RECORD),
)
