"""Words and numbers for people: titles of kinds and causes, rounding by uncertainty, times."""

from analysis.findings import ABSENT, CANNOT_TELL, FAULT_FOUND, NO_FAULT_SEEN, PRESENT, UNDECIDED, Cause, Findings
from analysis.uncertainty import Measured, rounded

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
    "outside_the_circuit": "outside the refrigerant circuit (air doors, heater, blower)",
}
VERDICTS = {
    FAULT_FOUND: "Fault found",
    NO_FAULT_SEEN: "No fault seen",
    CANNOT_TELL: "Cannot tell from this recording",
}
STATES = {PRESENT: "present", ABSENT: "absent", UNDECIDED: "undecided"}
PLACES = {
    "low_side": "low side",
    "high_side": "high side",
    "vent": "vent air",
    "return_air": "return air",
    "ambient": "ambient air",
    "suction_line": "suction line",
    "discharge_line": "discharge line",
    "liquid_line": "liquid line",
    "evaporator_out": "evaporator outlet",
}
UNITS = {"degC": "°C", "1/min": "1/min"}
CAUTIONS = (
    "High pressure, refrigerant burns: eye and hand protection, ventilation; no flame or spark near R-1234yf or R-152a.",
    "Hot, moving and self-starting parts: a condenser fan can start with the engine off. Keep hoses and leads clear.",
    "Recover, never vent. Charging and opening the circuit are work for certified technicians.",
    "On the road a passenger watches, never the driver; no customer drives with hoses fitted.",
    "The vehicle maker's instructions, local codes and licensed practice come before anything printed here.",
)


def title(kind: str) -> str:
    """A kind or cause in words."""
    return TITLES.get(kind, kind.replace("_", " "))


def place(name: str) -> str:
    """A place in words."""
    return PLACES.get(name, name.replace("_", " "))


def unit(symbol: str) -> str:
    """A unit as print shows it."""
    return UNITS.get(symbol, symbol)


def shown(value: Measured, symbol: str = "") -> str:
    """A number rounded by its uncertainty, with it; or why it is missing."""
    if value.value is None:
        return f"not had: {value.why}"
    number = rounded(value.value, value.u95)
    spread = f" ± {rounded(value.u95, value.u95)}" if value.u95 else ""
    return f"{number}{spread} {unit(symbol)}".strip()


def clock(seconds: float) -> str:
    """Minutes and seconds since the recording's first sample."""
    whole = round(seconds)
    hours, rest = divmod(whole, 3600)
    minutes, left = divmod(rest, 60)
    return f"{hours}:{minutes:02d}:{left:02d}" if hours else f"{minutes}:{left:02d}"


def span(start_s: float, end_s: float) -> str:
    """A stretch of time."""
    return f"{clock(start_s)}–{clock(end_s)}"


def percent(share: float) -> str:
    """A share as a percentage without false digits; small ones are not called nothing."""
    value = 100.0 * share
    if 0 < value < 1:
        return "under 1 %"
    if 99 < value < 100:
        return "over 99 %"
    return f"{value:.0f} %"


def leading(findings: Findings) -> Cause | None:
    """The likeliest cause that is at least likely, of the vehicle before the sensor."""
    likely = [cause for cause in findings.causes if cause.standing in ("proven", "likely")]
    vehicle = [cause for cause in likely if cause.cause != "sensor_fault"]
    return (vehicle or likely or [None])[0]


def verdict(findings: Findings) -> str:
    """The verdict in one sentence, its standing first."""
    cause = leading(findings)
    if findings.verdict == FAULT_FOUND and cause is not None:
        episodes = [episode for episode in findings.episodes if episode.kind == cause.cause]
        often = f", {len(episodes)} times" if len(episodes) > 1 else ""
        if any(episode.permanent for episode in episodes):
            often = ", throughout"
        return f"{cause.standing.capitalize()}: {title(cause.cause)}{often}."
    if findings.verdict == FAULT_FOUND:
        kinds = sorted({title(e.kind) for e in findings.episodes if e.kind != "sensor_fault"})
        return f"Fault found, cause not settled: {', '.join(kinds)}."
    return f"{VERDICTS[findings.verdict]}: {findings.verdict_why}."
