"""Vacuum hold: how the pressure of an evacuated circuit rises once the pump is shut off, and what that speaks for.

Air that leaks into a vacuum flows at the speed of sound until half the atmosphere is reached: a straight line. Water
boils until its vapour pressure at the coldest part stands: the rise flattens there. Refrigerant that leaves the oil
flattens too, far below it. What the sensor does not resolve is not told apart.
"""

import math
from dataclasses import dataclass

import numpy as np

from analysis.exponentials import fit_one
from analysis.findings import VacuumHold
from analysis.limits import PRACTICE, Limit, limit_table
from analysis.stretches import smoothed
from analysis.timeline import Floats, Signal, Timeline, bridged
from analysis.uncertainty import UNIFORM, Measured, absent, combine, measured

LIMITS = limit_table(
    Limit("evacuated", 10.0, "kPa absolute", "the pump has pulled down; " + PRACTICE),
    Limit("deep", 66.7, "Pa", "500 micron, advice for stationary systems; " + PRACTICE),
    Limit("tight", 133.3, "Pa", "1000 micron after ten minutes, advice for stationary systems; " + PRACTICE),
    Limit("tight_after", 600.0, "s", "ten minutes, advice for stationary systems; " + PRACTICE),
    Limit("shortest", 120.0, "s", PRACTICE),
    Limit("recorded", 0.9, "share of the hold", PRACTICE),
    Limit("valve", 5.0, "s", "the valve's own jolt; " + PRACTICE),
    Limit("smoothing", 5.0, "s", PRACTICE),
    Limit("straight", 0.6, "late rate over early rate", "a leak hardly slows; " + PRACTICE),
    Limit("flattens", 0.35, "late rate over early rate", PRACTICE),
    Limit("water_least", 0.5, "share of saturation at ambient", "its coldest part is up to 12 K colder; " + PRACTICE),
    Limit("water_most", 1.2, "share of saturation at ambient", "its warmest part is up to 3 K warmer; " + PRACTICE),
    Limit("gas_most", 0.3, "share of saturation at ambient", "flattening this low is no water; " + PRACTICE),
    Limit("gauge_share", 0.1, "of the reading", "electronic vacuum gauges that state nothing; " + PRACTICE),
    Limit("ambient", 20.0, "degC", "assumed, +-10 K, where no temperature was recorded; " + PRACTICE),
)
PLACES = ("vacuum", "low_side", "high_side")
ENDS = ("charging", "recharged", "recovery", "engine_on", "ac_on")
PUMP_OFF = "pump off"
WATER_A = (-7.85951783, 1.84408259, -11.7866497, 22.6807411, -15.9618719, 1.80122502)
WATER_N = (1.0, 1.5, 3.0, 3.5, 4.0, 7.5)
"""IAPWS SR1-86(1992) eq. (1) (Wagner & Pruss), cited from memory; the tests hold it to a table."""


def water_saturation_pa(t_degc: float) -> float:
    """Vapour pressure of water [Pa] at a temperature [degC]."""
    kelvin = t_degc + 273.15
    below = 1.0 - kelvin / 647.096
    exponent = sum(a * below**n for a, n in zip(WATER_A, WATER_N, strict=True))
    return 22.064e6 * math.exp(647.096 / kelvin * exponent)


def vacuum_holds_of(timeline: Timeline) -> tuple[VacuumHold, ...]:
    """Judge each evacuation that was marked, on the best sensor there is."""
    signal = next((s for place in PLACES if (s := timeline.signal(place)) is not None), None)
    marks = timeline.marked("vacuum")
    if signal is None or not marks:
        return ()
    edges = [*marks[1:], timeline.duration_s]
    holds = (_hold(timeline, signal, start, end) for start, end in zip(marks, edges, strict=True))
    return tuple(hold for hold in holds if hold is not None)


def _hold(timeline: Timeline, signal: Signal, start_s: float, end_s: float) -> VacuumHold | None:
    """The rise between the pump's end and whatever came next."""
    end_s = min([end_s, *(mark for mark in timeline.marked(*ENDS) if mark > start_s)])
    first, last = timeline.index(start_s), timeline.index(end_s)
    kpa = timeline.on_grid[signal.channel.id][first : last + 1]
    if len(kpa) == 0 or float(np.mean(np.isfinite(kpa))) < LIMITS["recorded"].value:
        return None
    even = smoothed(bridged(kpa), timeline.step_s, LIMITS["smoothing"].value)
    if float(even.min()) > LIMITS["evacuated"].value:
        return None
    stopped = [m.time_s for m in timeline.marks if m.kind == "note" and PUMP_OFF in m.text.lower()]
    stopped = [time for time in stopped if start_s < time < end_s]
    shut = timeline.index(stopped[-1] + LIMITS["valve"].value) - first if stopped else _turning(even, signal)
    t = timeline.t_s[first + shut : last + 1]
    u_level = combine(
        signal.u if signal.accuracy_stated else LIMITS["gauge_share"].value * UNIFORM * float(even.min()),
        0.0 if signal.channel.reference == "absolute" else timeline.barometric_u_kpa,
    )
    if signal.channel.place != "vacuum":
        u_level = combine(u_level, signal.u)
    trace = Trace(t - t[0], 1e3 * bridged(kpa)[shut:], 1e3 * signal.noise, 1e3 * signal.u_steps, 1e3 * u_level)
    water = _water(timeline, first + shut, last)
    reading = judge(trace, water, pump_off_known=bool(stopped))
    return VacuumHold(
        float(t[0]),
        float(t[-1]),
        signal.channel.id,
        reading.what,
        reading.says,
        measured(float(np.median(trace.pa[: trace.reach])), trace.u_mean, trace.u_level_pa),
        measured(float(np.median(trace.pa[-trace.reach :])), trace.u_mean, trace.u_level_pa),
        reading.early,
        reading.late,
        reading.plateau,
        water,
    )


def _turning(even: Floats, signal: Signal) -> int:
    """Last moment at the bottom: from there it only rises."""
    bottom = float(even.min())
    return int(np.flatnonzero(even <= bottom + max(signal.noise, signal.u_steps, 0.02 * bottom))[-1])


def _water(timeline: Timeline, first: int, last: int) -> Measured:
    """Saturation pressure of water [Pa] at the temperature around."""
    for place in ("ambient", "liquid_line", "suction_line", "evaporator_out", "return_air"):
        probe, values = timeline.signal(place), timeline.grid(place)
        if probe is not None and values is not None and np.isfinite(values[first : last + 1]).any():
            degc, u = float(np.nanmedian(values[first : last + 1])), probe.u
            break
    else:
        degc, u = LIMITS["ambient"].value, 10.0 * UNIFORM
    spread = abs(water_saturation_pa(degc + u) - water_saturation_pa(degc - u)) / 2.0
    return measured(water_saturation_pa(degc), spread)


@dataclass(frozen=True, slots=True, eq=False)
class Trace:
    """A hold: seconds, pascals absolute, noise of one reading, what coarse steps hide, how far the level may be off."""

    t_s: Floats
    pa: Floats
    noise_pa: float
    u_steps_pa: float
    u_level_pa: float

    @property
    def reach(self) -> int:
        """Readings in a twentieth of the hold."""
        return max(len(self.t_s) // 20, 1)

    @property
    def u_mean(self) -> float:
        """Standard uncertainty of a mean over a twentieth, but for what all readings share."""
        return combine(self.noise_pa / math.sqrt(self.reach), self.u_steps_pa)

    def rate(self, part: slice) -> Measured:
        """Slope of a part [Pa/min]."""
        t, pa = self.t_s[part], self.pa[part]
        off = t - t.mean()
        slope = float(np.dot(off, pa) / np.dot(off, off))
        u = combine(self.noise_pa / math.sqrt(float(np.dot(off, off))), 2.0 * self.u_steps_pa / float(t[-1] - t[0]))
        return measured(60.0 * slope, 60.0 * u)


@dataclass(frozen=True, slots=True)
class Reading:
    """What a rise speaks for: tight, leak, moisture, outgassing or cannot_tell; rates [Pa/min], plateau [Pa]."""

    what: str
    says: str
    early: Measured
    late: Measured
    plateau: Measured


def judge(trace: Trace, water: Measured, *, pump_off_known: bool) -> Reading:
    """Tell a leak, moisture and outgassing apart where the trace resolves them."""
    length = float(trace.t_s[-1]) if len(trace.t_s) else 0.0
    none = absent("the hold is too short")
    if length < LIMITS["shortest"].value or len(trace.t_s) < 20:
        says = f"held for only {length:.0f} s: leave it shut off for ten minutes"
        return Reading("cannot_tell", says, none, none, none)
    third = len(trace.t_s) // 3
    early, late = trace.rate(slice(0, third)), trace.rate(slice(-third, None))
    rise = float(np.mean(trace.pa[-trace.reach :]) - np.mean(trace.pa[: trace.reach]))
    u_rise = math.sqrt(2.0) * trace.u_mean
    end = float(np.mean(trace.pa[-trace.reach :]))
    flat = absent("it did not flatten")
    allowed = (LIMITS["tight"].value - LIMITS["deep"].value) * max(length / LIMITS["tight_after"].value, 0.2)
    if abs(rise) + 2.0 * u_rise < allowed:
        what, says = _kept(end, rise, length, pump_off_known=pump_off_known)
        return Reading(what, says, early, late, flat)
    if rise < 4.0 * u_rise:
        says = f"the sensor does not resolve a rise under {4.0 * u_rise:.0f} Pa; a vacuum gauge would tell"
        return Reading("cannot_tell", says, early, late, flat)
    most = LIMITS["water_most"].value * (water.value or 0.0) + (water.u95 or 0.0)
    if end - 2.0 * trace.u_level_pa > most:
        says = f"rose to {end:.0f} Pa, above what water can reach here ({water.value:.0f} Pa): gas enters, a leak"
        return Reading("leak", says, early, late, flat)
    return _by_shape(trace, water, early, late, end)


def _kept(end: float, rise: float, length: float, *, pump_off_known: bool) -> tuple[str, str]:
    says = f"kept {end:.0f} Pa for {length / 60.0:.0f} min (rise {rise:.0f} Pa)"
    if not pump_off_known:
        return "cannot_tell", f"{says}; nobody marked when the pump was shut off"
    if end > LIMITS["tight"].value:
        return "tight", f"{says}: no leak; it was not pulled down to {LIMITS['deep'].value:.0f} Pa"
    return "tight", f"{says}: tight and dry"


def _by_shape(trace: Trace, water: Measured, early: Measured, late: Measured, end: float) -> Reading:
    """Straight on, or flattening, and where."""
    flat = absent("it did not flatten")
    first, last = early.value or 0.0, late.value or 0.0
    u_first, u_last = (early.u95 or 0.0) / 2.0, (late.u95 or 0.0) / 2.0
    if first <= 2.0 * u_first:
        return Reading("cannot_tell", "the rise began late: hold it longer", early, late, flat)
    ratio = last / first
    u_ratio = combine(u_last / first, ratio * u_first / first)
    if ratio - 2.0 * u_ratio > LIMITS["straight"].value:
        says = f"rose on at {last:.0f} Pa a minute without slowing: a leak"
        return Reading("leak", says, early, late, flat)
    fit = fit_one(trace.t_s, trace.pa)
    if ratio + 2.0 * u_ratio >= LIMITS["flattens"].value or fit is None or water.value is None:
        says = (
            f"slowed from {first:.0f} to {last:.0f} Pa a minute: a small leak and gas from the oil look alike so early"
        )
        return Reading("cannot_tell", f"{says}; hold it longer", early, late, flat)
    plateau = measured(fit.offset, fit.rms, trace.u_mean, trace.u_level_pa, abs(fit.offset - end) / 2.0)
    share, u = fit.offset / water.value, (plateau.u95 or 0.0) / water.value / 2.0
    at = f"flattened at {fit.offset:.0f} Pa"
    if share - 2.0 * u > LIMITS["water_least"].value:
        says = f"{at}, near the vapour pressure of water here ({water.value:.0f} Pa): moisture; evacuate longer"
        return Reading("moisture", says, early, late, plateau)
    if share + 2.0 * u < LIMITS["gas_most"].value:
        says = f"{at}, far under the vapour pressure of water here ({water.value:.0f} Pa): gas leaving the oil"
        return Reading("outgassing", says, early, late, plateau)
    says = f"{at}: between gas from the oil and water at a cold part ({water.value:.0f} Pa at ambient)"
    return Reading("cannot_tell", says, early, late, plateau)
