"""Nothing wrong in the refrigerant circuit: air doors, heater valve, blower, recirculation."""

from analysis.causes import Narrowed, Weight

CAUSE = "outside_the_circuit"
PRIOR = 0.10
NARROWED: tuple[Narrowed, ...] = ()
COST = 1
PARTS = ("air mix door or its actuator", "heater valve", "blower or its control", "recirculation door", "cabin filter")
TELLING_TEST = (
    "with the compressor pumping and the evaporator cold, follow the air: doors, heater pipe temperatures, blower"
)
NEXT_CHECK = "set full cold and recirculation, compare left and right vents, feel the heater pipes"
WEIGHTS = (
    Weight("circuit as it should be", 2.5, "the circuit makes the cold that does not reach the vents"),
    Weight("circuit suspected", -1.2, "something in the circuit would explain it"),
    Weight("superheat high", -2.0, "a starved evaporator explains warm vents"),
    Weight("evaporator starved", -3.0, "a starved evaporator explains warm vents"),
    Weight("condensing over ambient high", -1.5, "the condenser is in trouble"),
    Weight("condensing over ambient raised", -0.7, "the condenser may be in trouble"),
    Weight("cools when it pumps", -1.0, "cold air reached the vents"),
    Weight("vent over evaporating high", 0.7, "the vents are warmer than the evaporator explains"),
    Weight("compressor_dropout seen", -2.5, "the compressor explains warm vents"),
    Weight("condenser_airflow_loss seen", -2.5, "the condenser explains warm vents"),
    Weight("undercharge seen", -2.5, "the charge explains warm vents"),
    Weight("high_pressure_trip seen", -2.0, "trips explain warm vents"),
    Weight("moisture_freeze seen", -2.5, "the frozen valve explains warm vents"),
    Weight("restriction seen", -2.5, "the narrow place explains warm vents"),
    Weight("evaporator_icing seen", -2.0, "the ice explains warm vents"),
    Weight("valve_hunting seen", -1.0, "the valve explains swings of the vents"),
    Weight("weak_pumping seen", -2.5, "the compressor explains warm vents"),
    Weight("overcharge seen", -1.5, "the charge explains poor cooling"),
    Weight("non_condensables seen", -1.5, "the air explains poor cooling"),
)
