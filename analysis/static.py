"""What the two sides show once at rest: the static pressure, and its gap to saturation where the soak is shown."""

import math

import numpy as np

from analysis.derived import Derived
from analysis.findings import Static
from analysis.limits import PRACTICE, Limit, limit_table
from analysis.readings import resolution_of
from analysis.runs import Running
from analysis.stretches import median_of
from analysis.timeline import Floats, Signal, Timeline
from analysis.uncertainty import UNIFORM, Measured, absent, combine, measured

LIMITS = limit_table(
    Limit("together", 50.0, "kPa", "or what the sensors allow, if that is more; " + PRACTICE),
    Limit("steady", 3.0, "kPa a minute", PRACTICE),
    Limit("steady_over", 60.0, "s", PRACTICE),
    Limit("before_start", 3.0, "s", "the moment of a start is not known better; " + PRACTICE),
    Limit("soak_u", 1.0, "K", "air stands for the metal; " + PRACTICE),
    Limit("soak_u_metal", 0.6, "K", "a probe on a pipe in the engine bay agrees with it; " + PRACTICE),
)
BAY = ("discharge_line", "liquid_line")
"""Places whose metal stays warm under the bonnet after an earlier drive: at ambient they show the soak."""


def static_of(timeline: Timeline, derived: Derived, running: Running) -> tuple[Static, ...]:
    """Static tests: stretches at rest with both sides together, steady, and temperatures that agree."""
    low, high = derived.low_kpa, derived.high_kpa
    if low is None or high is None or running.basis == "none":
        return ()
    edges = (
        [(0.0, running.runs[0].start_s - LIMITS["before_start"].value)]
        if running.runs
        else [(0.0, timeline.duration_s)]
    )
    if running.runs:
        edges.append((running.runs[-1].end_s, timeline.duration_s))
    found = (_static(timeline, derived, start, end) for start, end in edges)
    return tuple(one for one in found if one is not None)


def _static(timeline: Timeline, derived: Derived, start_s: float, end_s: float) -> Static | None:
    low_side, high_side = timeline.signal("low_side"), timeline.signal("high_side")
    window = min(LIMITS["steady_over"].value, (end_s - start_s) / 2.0)
    if low_side is None or high_side is None or window < 5.0 or derived.low_kpa is None or derived.high_kpa is None:
        return None
    last = slice(timeline.index(end_s - window), timeline.index(end_s - timeline.step_s) + 1)
    low, high = derived.low_kpa[last], derived.high_kpa[last]
    if not (np.isfinite(low).any() and np.isfinite(high).any()):
        return None
    apart = abs(median_of(high) - median_of(low))
    u_apart = combine(low_side.u, high_side.u)
    if apart > max(2.0 * u_apart, LIMITS["together"].value):
        return None
    static = (median_of(low) / low_side.u**2 + median_of(high) / high_side.u**2) / (low_side.u**-2 + high_side.u**-2)
    u_static = combine(1.0 / math.sqrt(low_side.u**-2 + high_side.u**-2), timeline.barometric_u_kpa)
    soak, why = _soak(timeline, last)
    gap = absent(why)
    if low_side.clamped or high_side.clamped:
        gap = absent("a clamp-on sensor cannot tell the pressure at rest")
    elif derived.refrigerant is None:
        gap = absent("the job sheet states no refrigerant")
    elif derived.refrigerant.name == "R-744":
        gap = absent("not for R-744: its static pressure depends on the charge")
    elif soak.value is not None and soak.u95 is not None:
        drift, u_drift = _drift_per_minute(timeline, low, last, low_side)
        if abs(drift) - 2.0 * u_drift > LIMITS["steady"].value:
            gap = absent("pressures were still drifting")
        else:
            saturation = derived.refrigerant.pressure_at(soak.value)
            slope = 1.0 / derived.refrigerant.kelvin_per_kpa(saturation)
            gap = measured(static - saturation, u_static, slope * soak.u95 / 2.0)
    pressure = measured(static - timeline.barometric_kpa, u_static)
    return Static(float(timeline.t_s[last][0]), float(timeline.t_s[last][-1]), pressure, soak, gap)


def _drift_per_minute(timeline: Timeline, values: Floats, part: slice, signal: Signal) -> tuple[float, float]:
    """Slope of a stretch [1/min] and its standard uncertainty from noise and the sensor's steps."""
    t = timeline.t_s[part]
    good = np.isfinite(values)
    if int(good.sum()) < 4:
        return 0.0, math.inf
    spread = float(np.std(t[good])) * math.sqrt(int(good.sum()))
    # One step of a coarse sensor half-way through tilts the line by one and a half of it over the stretch.
    tilt = 1.5 * resolution_of(signal.values) / max(float(np.ptp(t[good])), 1e-9) * UNIFORM
    u = combine(signal.noise / max(spread, 1e-9), tilt)
    return 60.0 * float(np.polyfit(t[good], values[good], 1)[0]), 60.0 * u


def _soak(timeline: Timeline, part: slice) -> tuple[Measured, str]:
    """Soak temperature where the channels that bear on it agree within their uncertainty."""
    places = ("ambient", "liquid_line", "suction_line", "discharge_line", "evaporator_out")
    seen = [(signal, timeline.grid(place)) for place in places if (signal := timeline.signal(place)) is not None]
    readings = [(median_of(values[part]), signal.u) for signal, values in seen if values is not None]
    readings = [(value, u) for value, u in readings if math.isfinite(value)]
    if len(readings) < 2:
        return absent("the soak is not shown: it needs at least two temperatures of the circuit and its air"), (
            "the soak is not shown by two temperatures that agree"
        )
    values = np.array([value for value, _ in readings])
    us = np.array([u for _, u in readings])
    spread = float(values.max() - values.min())
    mean = float(np.mean(values))
    if spread > 2.0 * combine(float(us.max()), float(us.max())):
        why = f"the temperatures differ by {spread:.1f} K: not soaked"
        return absent(why), why
    metal = any(signal.channel.place in BAY for signal, _ in seen)
    u_metal = LIMITS["soak_u_metal" if metal else "soak_u"].value
    return measured(mean, float(np.sqrt(np.sum(us**2))) / len(us), spread * UNIFORM / 2.0, u_metal), ""
