"""Stretches in which a driven compressor holds less lift than usual, with warm vents: it pumps weakly, or it slips."""

from dataclasses import dataclass

import numpy as np

from analysis.case import Case
from analysis.findings import Evidence
from analysis.limits import PRACTICE, Limit, limit_table
from analysis.operating import Mask
from analysis.stretches import thinned
from analysis.timeline import Floats, bridged
from analysis.uncertainty import measured

LIMITS = limit_table(
    Limit("lift_lost", 0.25, "1", "ln(high/low) under its usual; " + PRACTICE),
    Limit("evaporating_up", 5.0, "K", PRACTICE),
    Limit("onset_up", 2.5, "K", PRACTICE),
    Limit("evaporating_warm", 3.0, "degC", "a starved evaporator is cold; " + PRACTICE),
    Limit("condensing_near", 13.0, "K", "condensing over ambient; " + PRACTICE),
    Limit("little_lift", 0.85, "1", "where no ambient was recorded; " + PRACTICE),
    Limit("vent_up", 4.0, "K", PRACTICE),
    Limit("never_cold", 18.0, "degC", "vents, usually: some other fault leaves them so; " + PRACTICE),
    Limit("shortest", 25.0, "s", PRACTICE),
    Limit("merge", 45.0, "s", PRACTICE),
    Limit("mostly", 0.6, "share of an episode", PRACTICE),
    Limit("pull_down", 120.0, "s", PRACTICE),
    Limit("like_speed", 0.2, "share of the speed", PRACTICE),
    Limit("crawl", 10.0, "1/min or km/h", "speeds that count as the same; " + PRACTICE),
    Limit("like_for", 60.0, "s", PRACTICE),
    Limit("slower", 0.8, "share of the usual speed", "a slower engine lifts less; " + PRACTICE),
    Limit("beyond_speed", 0.55, "1", "ln(high/low); a halt takes up to 0.45 from a fixed stroke; " + PRACTICE),
    Limit("held", 0.97, "share of the lift a sixth of the stretch before", PRACTICE),
    Limit("lowest", 0.02, "1", "ln(high/low) above the lowest, within which it counts as that; " + PRACTICE),
    Limit("at_once", 0.45, "share of the lift's change that comes within a second", PRACTICE),
    Limit("edge_near", 5.0, "s", PRACTICE),
    Limit("edge_step", 0.5, "s", "sampled more slowly an edge cannot be told; " + PRACTICE),
    Limit("after_start", 20.0, "s", "liquid leaving the evaporator looks alike; " + PRACTICE),
)
GAIN = 0.01
"""What a difference of one sensor's readings owes to its gain (common practice, no source); its offset cancels."""


@dataclass(frozen=True, slots=True)
class Loss:
    """One stretch: its edges, its worst part, how much of the usual lift was lost, and the evidence.

    ``at_once`` where the lift went and came back within a second: a clutch or a belt slips, no control valve moves so
    quickly. False where it was sampled too slowly to tell. ``held`` where the lift stood, or came up again, within the
    stretch: sides that are not driven only converge.
    """

    start_s: float
    end_s: float
    worst_s: tuple[float, float]
    lost: float
    usual_lift: float
    evidence: Evidence
    at_once: bool
    held: bool


@dataclass(frozen=True, slots=True, eq=False)
class Usual:
    """Evened quantities on the grid, and their usual levels while driven past pull-down."""

    te: Floats
    lift: Floats
    vent: Floats
    settled: Mask
    usual_te: float
    usual_lift: float
    usual_vent: float


def usual_of(case: Case) -> Usual | None:
    """Usual levels; None with too little driving past pull-down."""
    te = case.evened(case.derived.evaporating_degc, 5.0)
    lift = case.evened(case.derived.lift, 5.0)
    vent = case.evened(case.timeline.grid("vent"), 5.0)
    settled = case.running.pumping & (case.timeline.t_s > case.running.runs[0].start_s + LIMITS["pull_down"].value)
    if te is None or lift is None or vent is None or case.seconds(settled) < LIMITS["shortest"].value:
        return None
    some = thinned(np.flatnonzero(settled))
    levels = (np.quantile(values[some], share) for values, share in ((te, 0.4), (lift, 0.6), (vent, 0.3)))
    return Usual(te, lift, vent, settled, *(float(level) for level in levels))


def driven(case: Case, loss: Loss) -> bool:
    """Whether the compressor was driven meanwhile, and no slower engine explains the loss.

    Clutch or engine speed tell, or a lift that stands: beside the road speed, or so low that no speed explains it.
    """
    if case.running.basis == "clutch" or case.operating.engine_basis == "engine_speed":
        return True
    return loss.held and (not case.lacks("vehicle_speed") or loss.lost >= LIMITS["beyond_speed"].value)


def running_on(case: Case) -> Mask:
    """Not soon after a start."""
    return case.since_start() > LIMITS["after_start"].value


def losses_of(case: Case, usual: Usual) -> tuple[Loss, ...]:
    """Find the stretches."""
    over = case.evened(case.derived.over_ambient_k, 5.0)
    # A compressor that pumps well under high load rejects much heat: condensing near ambient says that it does not.
    near = usual.lift < LIMITS["little_lift"].value if over is None else over < LIMITS["condensing_near"].value
    weak = (
        near
        & usual.settled
        & case.operating.asked
        & (usual.te > LIMITS["evaporating_warm"].value)
        & (usual.te > usual.usual_te + LIMITS["evaporating_up"].value)
        & (usual.lift < usual.usual_lift - LIMITS["lift_lost"].value)
    )
    losses: list[Loss] = []
    for first, last in case.spans(weak & running_on(case), LIMITS["shortest"].value, LIMITS["merge"].value):
        warm = float(usual.vent[first : last + 1].max()) - usual.usual_vent
        mostly = float(np.mean(weak[first : last + 1])) >= LIMITS["mostly"].value
        # Low demand keeps the vents cold; where they never were, they cannot warm by much.
        unmet = warm >= LIMITS["vent_up"].value or usual.usual_vent > LIMITS["never_cold"].value
        seen = mostly and _both_read(case, first, last) and unmet
        if seen and not _explained_by_speed(case, usual, first, last):
            losses.append(_loss(case, usual, warm, first, last))
    return tuple(losses)


def _both_read(case: Case, first: int, last: int) -> bool:
    """Whether both sides moved at all meanwhile: a sensor that stands still says nothing of the circuit."""
    sides = (case.derived.low_kpa, case.derived.high_kpa)
    return all(
        side is None or float(np.nanmax(side[first : last + 1]) - np.nanmin(side[first : last + 1])) > 0.0
        for side in sides
    )


def _explained_by_speed(case: Case, usual: Usual, first: int, last: int) -> bool:
    """Whether it holds as little lift whenever the engine turns, or the vehicle moves, as slowly: at lights it does."""
    speed = case.evened(case.operating.engine_speed, 5.0)
    if speed is None:
        speed = case.evened(case.timeline.grid("vehicle_speed"), 5.0)
    if speed is None:
        return False
    own = float(np.median(speed[first : last + 1]))
    if own >= LIMITS["slower"].value * float(np.median(speed[usual.settled])):
        return False
    like = usual.settled & (np.abs(speed - own) <= LIMITS["like_speed"].value * own + LIMITS["crawl"].value)
    like[first : last + 1] = False
    if case.seconds(like) < LIMITS["like_for"].value:
        return True
    te, lift = usual.te, usual.lift
    rose = float(np.median(te[first : last + 1])) - float(np.quantile(te[like], 0.4))
    lost = float(np.quantile(lift[like], 0.6)) - float(np.median(lift[first : last + 1]))
    return rose < LIMITS["evaporating_up"].value or lost < LIMITS["lift_lost"].value


def _loss(case: Case, usual: Usual, warm: float, first: int, last: int) -> Loss:
    t, te = case.timeline.t_s, usual.te
    calm = np.flatnonzero(te[: first + 1] < usual.usual_te + LIMITS["onset_up"].value)
    start = int(calm[-1]) if len(calm) else first
    back = np.flatnonzero(te[last:] < usual.usual_te + LIMITS["onset_up"].value)
    end = last + int(back[0]) if len(back) else last
    rise = float(np.median(te[first : last + 1])) - usual.usual_te
    lost = usual.usual_lift - float(np.median(usual.lift[first : last + 1]))
    measures = {
        "evaporating_rise_k": measured(rise, GAIN * rise, _noise(case, "low_side") * 0.1),
        "lift_lost": measured(lost, GAIN * lost),
    }
    vents = f"vents warmed by {warm:.0f} K"
    if warm >= LIMITS["vent_up"].value:
        measures["vent_rise_k"] = measured(warm, GAIN * warm, _noise(case, "vent"))
    else:
        vents = f"vents at {usual.usual_vent:.0f} degC all along"
        measures["vent_degc"] = measured(usual.usual_vent, case.u_air_k("vent"))
    fell = 100.0 * -np.expm1(-lost)
    drop = f"the pressure ratio fell by {fell:.0f} %"
    says = f"driven, yet evaporating rose {rise:.0f} K, {drop}, {vents}"
    worst = (float(t[first]), float(t[last]))
    evidence = Evidence("lift_lost", says, measures)
    at_once = _at_once(case, start) and _at_once(case, end)
    held = _held(usual.lift[first : last + 1])
    return Loss(float(t[start]), float(t[end]), worst, lost, usual.usual_lift, evidence, at_once, held)


def _held(lift: Floats) -> bool:
    """Whether the lift stands over the later half of a stretch, or rises: what is left of a stop only falls.

    Where it came back at the end does not count: after a stop it does so as well.
    """
    lowest = np.flatnonzero(lift - lift.min() <= LIMITS["lowest"].value)
    fallen = lift[: int(lowest[-1]) + 1]
    early, *later = (float(np.median(part)) for part in np.array_split(fallen[len(fallen) // 2 :], 3) if len(part))
    return max(later, default=0.0) > LIMITS["held"].value * early


def _at_once(case: Case, edge: int) -> bool:
    """Whether half of the lift's change near an edge came within a second."""
    step = case.timeline.step_s
    if step > LIMITS["edge_step"].value or case.derived.lift is None:
        return False
    lift = bridged(case.derived.lift)
    near, second = round(LIMITS["edge_near"].value / step), max(round(1.0 / step), 1)
    part = lift[max(edge - 2 * near, 0) : edge + 3 * near + 1]
    if len(part) < 4 * near:
        return False
    whole = abs(float(np.median(part[-near:])) - float(np.median(part[:near])))
    changes = np.abs(part[second:] - part[:-second])
    return float(changes.max()) >= LIMITS["at_once"].value * whole


def _noise(case: Case, place: str) -> float:
    signal = case.timeline.signal(place)
    return signal.noise if signal else 0.0
