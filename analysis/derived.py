"""Quantities of the refrigerant circuit on the grid, with their uncertainty: superheat, subcooling, split and others.

Saturation is taken at the pressure ports. The drop between evaporator and low-side port (10-40 kPa at full flow) is not
corrected: it is part of the uncertainty.
"""

from dataclasses import dataclass

import numpy as np

from analysis.limits import PRACTICE, Limit, limit_table
from analysis.probe_lag import without_lag
from analysis.refrigerant import Refrigerant, refrigerant
from analysis.stretches import usual_level
from analysis.timeline import Floats, Timeline
from analysis.uncertainty import UNIFORM, combine, propagate

LIMITS = limit_table(
    Limit("line_drop_half_width", 20.0, "kPa", "10-40 kPa at full flow; " + PRACTICE),
    Limit(
        "evacuated", 120.0, "kPa absolute", "a high side near or below the atmosphere circulates nothing; " + PRACTICE
    ),
    Limit("clamp_on", 1.5, "K", "clamp-on conduction error, insulated 0.3-1 K, bare 2-5 K; " + PRACTICE),
    Limit("clamp_share", 0.10, "1", "of pipe against surroundings: Rc/(Rc + Re), insulated 0.02-0.14; " + PRACTICE),
    Limit("bay_over_ambient", 8.0, "K", PRACTICE),
    Limit("inlet_air", 2.0, "K", "half-width: one probe for air that differs over the condenser's face; " + PRACTICE),
    Limit("air_share", 0.03, "1", "of air against what holds the probe, along its lead; " + PRACTICE),
)


@dataclass(frozen=True, slots=True, eq=False)
class Derived:
    """Arrays of the grid's shape; None where a channel is missing, with the reason in ``why``.

    Attributes
    ----------
    low_kpa, high_kpa : absolute pressures [kPa]
    evaporating_degc, condensing_degc : saturation temperatures [degC]; NaN above the critical point
    superheat_k, subcooling_k : at the suction and the liquid probe [K]
    lift : natural logarithm of the absolute pressure ratio; nil where the circuit is evacuated
    over_ambient_k : condensing minus condenser inlet air [K]
    vent_over_evaporating_k : vent air minus evaporating temperature [K]
    split_k : return air minus vent air [K]
    """

    refrigerant: Refrigerant | None
    low_kpa: Floats | None
    high_kpa: Floats | None
    evaporating_degc: Floats | None
    condensing_degc: Floats | None
    superheat_k: Floats | None
    subcooling_k: Floats | None
    lift: Floats | None
    over_ambient_k: Floats | None
    vent_over_evaporating_k: Floats | None
    split_k: Floats | None
    why: dict[str, str]

    def u_evaporating_k(self, timeline: Timeline, low_kpa: float) -> float:
        """Standard uncertainty [K] of the evaporating temperature at an absolute low-side pressure [kPa]."""
        return self._u_saturation(timeline, "low_side", low_kpa, LIMITS["line_drop_half_width"].value)

    def u_condensing_k(self, timeline: Timeline, high_kpa: float) -> float:
        """Standard uncertainty [K] of the condensing temperature at an absolute high-side pressure [kPa]."""
        return self._u_saturation(timeline, "high_side", high_kpa, 0.0)

    def _u_saturation(self, timeline: Timeline, place: str, p_kpa: float, drop_kpa: float) -> float:
        signal = timeline.signal(place)
        if signal is None or self.refrigerant is None:
            return float("nan")
        air = 0.0 if signal.channel.reference == "absolute" else timeline.barometric_u_kpa
        u_kpa = combine(signal.u, air, drop_kpa * UNIFORM)
        return propagate(self.refrigerant.temperature_at, [p_kpa], [u_kpa])[1]


def u_probe_k(timeline: Timeline, place: str) -> float:
    """Standard uncertainty [K] of a probe at its usual level: its accuracy, and heat along clamp, mount and lead."""
    signal, values = timeline.signal(place), timeline.grid(place)
    if signal is None or values is None:
        return 0.0
    return combine(signal.u, u_conduction_k(timeline, place, usual_level(values)))


def u_conduction_k(timeline: Timeline, place: str, level_degc: float) -> float:
    """Standard uncertainty [K] of what a probe reads for heat that reaches it along clamp, mount and lead.

    It grows with how far the pipe or the air is from its surroundings; where those are not known a clamp has its usual.
    """
    ambient = timeline.grid("ambient")
    clamped = place.split("_line", maxsplit=1)[0] != place or place.startswith("evaporator_out")
    if ambient is None:
        return LIMITS["clamp_on"].value * UNIFORM if clamped else 0.0
    around = usual_level(ambient) + (LIMITS["bay_over_ambient"].value if clamped else 0.0)
    return LIMITS["clamp_share" if clamped else "air_share"].value * UNIFORM * abs(around - level_degc)


def derive(timeline: Timeline, refrigerant_name: str | None) -> Derived:
    """Compute all that the channels and the refrigerant allow."""
    low, high = timeline.grid("low_side"), timeline.grid("high_side")
    vent, ambient = _unlagged(timeline, "vent"), timeline.grid("ambient")
    suction = _unlagged(timeline, "suction_line")
    suction = _unlagged(timeline, "evaporator_out") if suction is None else suction
    liquid, back = _unlagged(timeline, "liquid_line"), _unlagged(timeline, "return_air")
    fluid = refrigerant(refrigerant_name) if refrigerant_name else None
    evaporating = fluid.saturation_temperature(low) if fluid and low is not None else None
    condensing = fluid.saturation_temperature(high) if fluid and high is not None else None
    lift = None
    if low is not None and high is not None:
        lift = np.log(np.maximum(high, 1.0) / np.maximum(low, 1.0))
        lift[high < LIMITS["evacuated"].value] = 0.0
    channels = {
        "low_side": low, "high_side": high, "vent": vent, "ambient": ambient, "suction_line": suction,
        "liquid_line": liquid, "return_air": back,
    }  # fmt: skip
    why = {place: f"no {place} channel" for place, values in channels.items() if values is None}
    if fluid is None:
        why["refrigerant"] = "the job sheet states no refrigerant"
    elif high is not None and (too_high := fluid.none_at(float(np.nanmax(high)))) is not None:
        why["condensing"] = too_high
    return Derived(
        fluid,
        low,
        high,
        evaporating,
        condensing,
        _difference(suction, evaporating),
        _difference(condensing, liquid),
        lift,
        _difference(condensing, ambient),
        _difference(vent, evaporating),
        _difference(back, vent),
        why,
    )


def _unlagged(timeline: Timeline, place: str) -> Floats | None:
    """A probe's grid without the lag that its sensor states."""
    signal, values = timeline.signal(place), timeline.grid(place)
    if signal is None or values is None:
        return values
    return without_lag(values, signal.channel.time_constant_s, timeline.step_s)


def _difference(minuend: Floats | None, subtrahend: Floats | None) -> Floats | None:
    return None if minuend is None or subtrahend is None else minuend - subtrahend
