"""The compressor pumps weakly: evaporating high, condensing low, little lift although it is driven, and warm vents.

External control at low demand looks alike but has cold vents.
"""

import numpy as np

from analysis.case import Case
from analysis.episodes import Detection
from analysis.findings import ABSENT, PRESENT, UNDECIDED, Episode, Evidence
from analysis.limits import PRACTICE, Limit, limit_table
from analysis.lost_lift import Loss, Usual, driven, losses_of, running_on, usual_of
from analysis.operating import Mask
from analysis.shown import times
from analysis.uncertainty import combine, measured

KIND = "weak_pumping"
NEEDS = ("low_side", "high_side", "vent", "refrigerant", "runs")
LIMITS = limit_table(
    Limit("shortest", 25.0, "s", PRACTICE),
    Limit("permanent_lift", 0.85, "1", "a healthy system stands at 1.1 or more; " + PRACTICE),
    Limit("starved", 3.0, "degC", "evaporating, below which it is short of refrigerant; " + PRACTICE),
    Limit("hot_day_lift", 1.1, "1", "evaporating at 7 degC, condensing at 44 degC of R-134a; " + PRACTICE),
    Limit("permanent_evaporating", 6.5, "degC", "pumped well a hot load shows at the condenser; " + PRACTICE),
    Limit("permanent_condensing", 3.0, "K", "condensing over ambient above evaporating in degC; " + PRACTICE),
    Limit("good_lift", 1.3, "1", "evaporating at 3 degC, condensing at 47 degC of R-134a; " + PRACTICE),
    Limit("idled_condensing", -4.0, "K", "the same, of an engine that only idled; " + PRACTICE),
    Limit("above_idle", 1200.0, "1/min", PRACTICE),
    Limit("hardly", 0.1, "of the time", PRACTICE),
    Limit("full_evaporating", 10.0, "degC", "with such vents the coil is loaded as far as it goes; " + PRACTICE),
    Limit("full_vent", 15.0, "degC", PRACTICE),
    Limit("full_share", 0.33, "of the time past pull-down", PRACTICE),
    Limit("plain_heat", 10.0, "degC", "evaporating, where no ambient was recorded; " + PRACTICE),
    Limit("permanent_vent", 12.0, "degC", PRACTICE),
    Limit("duty_full", 60.0, "%", PRACTICE),
    Limit("duty_low", 25.0, "%", PRACTICE),
    Limit("warm_ambient", 20.0, "degC", PRACTICE),
)


def detect(case: Case) -> Detection:
    """Find stretches of lost lift while the compressor is driven, and a lift that is small throughout."""
    usual = usual_of(case)
    if usual is None:
        return Detection(UNDECIDED, "too little driving past pull-down")
    permanent = _permanent(case, usual)
    if permanent is not None:
        return Detection(PRESENT, "little lift throughout, with warm vents", (permanent,))
    losses = losses_of(case, usual)
    if case.job.compressor == "variable_internal":
        losses = tuple(loss for loss in losses if not loss.at_once)
    if losses and case.job.compressor == "cycling_clutch":
        return Detection(ABSENT, "a clutch compressor that loses its lift for a while slips: see compressor dropout")
    sure = [loss for loss in losses if driven(case, loss)]
    if losses and not sure:
        says = losses[0].evidence.says.removeprefix("driven, yet ")
        why = f"{says}, but nothing shows that the compressor was driven"
        return Detection(UNDECIDED, why, (), ("clutch", "engine_speed"), suspected=True)
    if sure:
        many = times(len(sure))
        episodes = tuple(_episode(case, loss) for loss in sure)
        return Detection(PRESENT, f"{many} it lost its pressure ratio while driven", episodes)
    loaded = _under_load(case, usual)
    if loaded is not None:
        return Detection(PRESENT, "under full load little heat reached the condenser", (loaded,))
    ratio = np.exp(usual.usual_lift)
    if case.lacks("ambient") and _may_be_little(case, usual):
        why = f"the high side held near {ratio:.1f} times the low side with warm vents: little, unless the day is mild"
        return Detection(UNDECIDED, why, (), ("ambient",), suspected=True)
    return Detection(ABSENT, f"while driven the high side held near {ratio:.1f} times the low side (absolute)")


def _permanent(case: Case, usual: Usual) -> Episode | None:
    steady = usual.settled & running_on(case)
    if case.seconds(steady) < 4.0 * LIMITS["shortest"].value:
        return None
    level, air = float(np.quantile(usual.lift[steady], 0.8)), float(np.median(usual.vent[steady]))
    ambient = case.median(case.timeline.grid("ambient"), 0.0, case.timeline.duration_s)
    hot = ambient > LIMITS["warm_ambient"].value
    if np.isnan(ambient):
        hot = float(np.median(usual.te[steady])) > LIMITS["plain_heat"].value
    warm_load = air > LIMITS["permanent_vent"].value and hot
    margin = LIMITS["idled_condensing" if _only_idled(case, steady) else "permanent_condensing"].value
    signs = (_little_lift(case, usual, steady, level), _not_rejected(case, usual, steady, margin))
    told = [sign for sign in signs if sign is not None]
    return _throughout(case, *told) if warm_load and told else None


def _may_be_little(case: Case, usual: Usual) -> bool:
    """Warm vents over a warm evaporator, and less lift than a hot day asks for."""
    steady = usual.settled & running_on(case)
    if case.seconds(steady) < 4.0 * LIMITS["shortest"].value:
        return False
    te, air = (float(np.median(values[steady])) for values in (usual.te, usual.vent))
    warm = te > LIMITS["permanent_evaporating"].value and air > LIMITS["permanent_vent"].value
    return warm and float(np.quantile(usual.lift[steady], 0.8)) < LIMITS["hot_day_lift"].value


def _under_load(case: Case, usual: Usual) -> Episode | None:
    """The same where only some of the drive loads it fully, as halts on a hot day do."""
    steady = usual.settled & running_on(case)
    full = steady & (usual.te > LIMITS["full_evaporating"].value) & (usual.vent > LIMITS["full_vent"].value)
    lasting = max(4.0 * LIMITS["shortest"].value, LIMITS["full_share"].value * case.seconds(steady))
    if case.seconds(full) < lasting:
        return None
    margin = LIMITS["idled_condensing"].value if _only_idled(case, steady) else 0.0
    sign = _not_rejected(case, usual, full, margin)
    return None if sign is None else _throughout(case, sign)


def _only_idled(case: Case, steady: Mask) -> bool:
    """Whether the engine is known to have hardly left its idle: a small compressor is at its limit there."""
    speed = case.operating.engine_speed
    return speed is not None and float(np.mean(speed[steady] > LIMITS["above_idle"].value)) < LIMITS["hardly"].value


def _throughout(case: Case, *signs: Evidence) -> Episode:
    start, end = case.running.runs[0].start_s, case.last_stop_s()
    return Episode(KIND, start, end, 0.6, (*signs, *_duty(case, start, end)), permanent=True)


def _little_lift(case: Case, usual: Usual, steady: Mask, level: float) -> Evidence | None:
    """Little lift from a warm evaporator; a starved one is cold, and lifts as little."""
    te, air = (float(np.median(values[steady])) for values in (usual.te, usual.vent))
    if level >= LIMITS["permanent_lift"].value or te < LIMITS["starved"].value:
        return None
    says = f"high side only {np.exp(level):.1f} times the low side (absolute) while driven, vents at {air:.0f} degC"
    measures = {"lift": measured(level, _u_lift(case)), "vent_degc": measured(air, case.u_air_k("vent"))}
    return Evidence("little_lift", says, measures)


def _not_rejected(case: Case, usual: Usual, steady: Mask, margin_k: float) -> Evidence | None:
    """A warm evaporator while the condenser stands near ambient: the load is there, and nothing carries it over.

    Not of a compressor that at its best, at a higher speed or once the cabin is cool, lifts as a good one does.
    """
    if float(np.quantile(usual.lift[usual.settled & running_on(case)], 0.8)) > LIMITS["good_lift"].value:
        return None
    over = case.over(case.derived.over_ambient_k, steady)
    te = float(np.median(usual.te[steady]))
    if not len(over) or te < LIMITS["permanent_evaporating"].value:
        return None
    above = float(np.median(over))
    # Told only where it stands clear of what the sensors leave in doubt.
    if above + combine(case.u_evaporating_k(), case.u_over_ambient_k()) >= te + margin_k:
        return None
    says = f"evaporating at {te:.0f} degC while condensing stands only {above:.0f} K over ambient"
    measures = {
        "evaporating_degc": measured(te, case.u_evaporating_k()),
        "over_ambient_k": measured(above, case.u_over_ambient_k()),
    }
    return Evidence("not_carried_over", says, measures)


def _episode(case: Case, loss: Loss) -> Episode:
    severity = round(min(1.0, max(0.1, loss.lost / max(loss.usual_lift, 0.1) * 1.6)), 2)
    return Episode(KIND, loss.start_s, loss.end_s, severity, (loss.evidence, *_duty(case, *loss.worst_s)))


def _duty(case: Case, start_s: float, end_s: float) -> tuple[Evidence, ...]:
    """What the control valve was told meanwhile, where its duty was logged."""
    duty = case.median(case.timeline.grid("valve_duty"), start_s, end_s)
    if not np.isfinite(duty):
        return ()
    state = "full" if duty > LIMITS["duty_full"].value else "low" if duty < LIMITS["duty_low"].value else "part"
    says = f"control valve at {duty:.0f} % meanwhile"
    return (Evidence(f"duty_{state}", says, {"duty_percent": measured(duty, 1.0)}),)


def _u_lift(case: Case) -> float:
    """Standard uncertainty of ln(high/low) from both sensors."""
    parts: list[float] = []
    for place, values in (("low_side", case.derived.low_kpa), ("high_side", case.derived.high_kpa)):
        signal, pumped = case.timeline.signal(place), case.over(values, case.running.pumping)
        parts.append(signal.u / float(np.median(pumped)) if signal and len(pumped) else 0.0)
    return combine(*parts)
