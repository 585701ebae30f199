"""Nothing wrong in the refrigerant circuit: air doors, heater valve, blower, recirculation."""

from analysis.causes import Narrowed, Weight

CAUSE = "outside_the_circuit"
PRIOR = 0.45
NARROWED: tuple[Narrowed, ...] = ()
COST = 1
PARTS = ("air mix door or its actuator", "heater valve", "blower or its control", "recirculation door", "cabin filter")
TELLING_TEST = (
    "with the compressor pumping and the evaporator cold, follow the air: doors, heater pipe temperatures, blower"
)
NEXT_CHECK = "set full cold and recirculation, compare left and right vents, feel the heater pipes"
WEIGHTS = (Weight("circuit as it should be", 1.5, "the circuit makes the cold that does not reach the vents"),)
