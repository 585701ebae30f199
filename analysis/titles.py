"""Kinds of fault and their causes in words."""

TITLES = {
    "compressor_dropout": "compressor drops out",
    "high_pressure_trip": "high-pressure switch trips",
    "undercharge": "too little refrigerant",
    "condenser_airflow_loss": "condenser loses its airflow",
    "moisture_freeze": "moisture freezes in the valve",
    "restriction": "restriction in the liquid line or valve",
    "evaporator_icing": "evaporator ices up",
    "valve_hunting": "expansion valve hunts",
    "weak_pumping": "compressor pumps weakly",
    "overcharge": "too much refrigerant",
    "non_condensables": "air in the system",
    "sensor_fault": "a sensor misreads",
    "overfeeding_valve": "expansion valve lets too much through",
    "outside_the_circuit": "nothing wrong in the refrigerant circuit",
}


def title(kind: str) -> str:
    """A kind or cause in words."""
    return TITLES.get(kind, kind.replace("_", " "))
