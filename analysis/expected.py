"""Measured values beside what is expected of them; trade bands are soft and say so."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analysis.case import Case
from analysis.findings import Episode, Expected
from analysis.limits import PRACTICE
from analysis.operating import Mask
from analysis.stepless import VARIABLE
from analysis.timeline import Floats
from analysis.uncertainty import Measured, absent, combine, measured

SETTLED_IN_S = 60.0
LEAST_S = 20.0
RAISED_FROM = 1100.0
"""Engine speed [1/min] above which a marked raised idle is one (common practice, no source)."""
OWN_CYCLES = 0.5
"""Share of the cycles that its own control must have made (common practice, no source)."""
WHOLE = 0.9
"""Less of a stretch under the critical point does not speak for it (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Band:
    """What a quantity should be, and who says so."""

    quantity: str
    unit: str
    low: float | None
    high: float | None
    source: str = PRACTICE


CONDENSING_STANDING = Band("condensing over ambient, standing", "K", 10.0, 30.0)
CONDENSING_MOVING = Band("condensing over ambient, moving", "K", 8.0, 22.0)
CONDENSING_IDLING = Band("condensing over ambient, idling", "K", 8.0, 30.0)
CONDENSING_RAISED = Band("condensing over ambient, raised idle", "K", 8.0, 30.0)
CONDENSING = Band("condensing over ambient", "K", 8.0, 30.0)
SUPERHEAT = Band("superheat at the suction probe", "K", 3.0, 15.0)
SUBCOOLING = Band("subcooling at the liquid probe", "K", 4.0, 15.0)
EVAPORATING = Band("evaporating temperature", "degC", -2.0, 12.0)
VENT_GAP = Band("vent over evaporating", "K", 2.0, 11.0)
SPLIT = Band("return air minus vent", "K", 12.0, 28.0)
CYCLES = Band("cycles a minute", "1/min", 0.0, 6.0)


def expected_of(case: Case, episodes: Sequence[Episode]) -> tuple[Expected, ...]:
    """Steady values of the recording, outside intermittent episodes, beside their bands."""
    steady = case.steady(SETTLED_IN_S) & case.outside(episodes, SETTLED_IN_S)
    derived = case.derived
    rows: list[Expected] = []
    for band, where in _condensing(case):
        rows.append(_row(case, band, derived.over_ambient_k, steady & where, case.u_over_ambient_k()))
    rows.append(_row(case, EVAPORATING, derived.evaporating_degc, steady, case.u_evaporating_k()))
    rows.append(_row(case, SUPERHEAT, derived.superheat_k, steady, case.u_superheat_k()))
    rows.append(_row(case, SUBCOOLING, derived.subcooling_k, steady, case.u_subcooling_k()))
    rows.append(_row(case, VENT_GAP, derived.vent_over_evaporating_k, steady, case.u_vent_gap_k()))
    rows.append(_row(case, SPLIT, derived.split_k, steady, combine(case.u_air_k("vent"), case.u_air_k("return_air"))))
    if case.cycling and case.job.compressor not in VARIABLE:
        most = max(case.cycling, key=lambda c: c.cycles)
        # What stops it otherwise, a pressure switch or the driver, has no usual rate.
        if most.control_cycles > OWN_CYCLES * most.cycles:
            rows.append(_judged(CYCLES, most.per_minute))
    return tuple(rows)


def _condensing(case: Case) -> list[tuple[Band, Mask]]:
    """The bands of condensing over ambient, and where each is due: the heat follows speed, and a raised idle."""
    moving, rotation = case.operating.moving, case.operating.engine_speed
    if moving is not None:
        return [(CONDENSING_STANDING, ~moving), (CONDENSING_MOVING, moving)]
    everywhere = np.ones(len(case.timeline.t_s), np.bool_)
    if rotation is None or case.derived.over_ambient_k is None or not case.timeline.marked("raised_idle"):
        return [(CONDENSING, everywhere)]
    raised = np.nan_to_num(rotation) > RAISED_FROM
    return [(CONDENSING_IDLING, ~raised), (CONDENSING_RAISED, raised)]


def _row(case: Case, band: Band, values: Floats | None, mask: Mask, u: float) -> Expected:
    if values is None:
        return _judged(band, absent("no sensor was fitted for this"))
    part = case.over(values, mask)
    if "condensing" in case.derived.why and len(part) < WHOLE * np.count_nonzero(mask):
        return _judged(band, absent(case.derived.why["condensing"]))
    if len(part) * case.timeline.step_s < LEAST_S:
        return _judged(band, absent("never steady for long enough"))
    spread = float(np.std(part)) / np.sqrt(max(len(part) * case.timeline.step_s / 30.0, 1.0))
    return _judged(band, measured(float(np.median(part)), u, float(spread)))


def _judged(band: Band, value: Measured) -> Expected:
    """Inside or outside only where the value stands clear of the limit by its u95 (JCGM 106:2012, 8.3)."""
    state = "not measured"
    if value.value is not None:
        u95 = value.u95 or 0.0
        below = band.low is not None and value.value + u95 < band.low
        above = band.high is not None and value.value - u95 > band.high
        near = (band.low is not None and value.value - u95 < band.low) or (
            band.high is not None and value.value + u95 > band.high
        )
        state = "outside" if below or above else "within its uncertainty of the limit" if near else "inside"
    return Expected(band.quantity, band.unit, value, band.low, band.high, state, band.source)
