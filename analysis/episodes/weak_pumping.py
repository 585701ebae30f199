"""The compressor pumps weakly: evaporating high, condensing low, little lift although it is driven, and warm vents.

External control at low demand looks alike but has cold vents.
"""

import numpy as np

from analysis.case import Case
from analysis.episodes import Detection
from analysis.findings import ABSENT, PRESENT, UNDECIDED, Episode, Evidence
from analysis.limits import PRACTICE, Limit, limit_table
from analysis.operating import Mask
from analysis.timeline import Floats
from analysis.uncertainty import combine, measured

KIND = "weak_pumping"
NEEDS = ("low_side", "high_side", "vent", "refrigerant", "runs")
LIMITS = limit_table(
    Limit("lift_lost", 0.25, "1", "ln(high/low) under its usual; " + PRACTICE),
    Limit("evaporating_up", 5.0, "K", PRACTICE),
    Limit("onset_up", 2.5, "K", PRACTICE),
    Limit("evaporating_warm", 3.0, "degC", "a starved evaporator is cold; " + PRACTICE),
    Limit("condensing_near", 13.0, "K", "condensing over ambient; " + PRACTICE),
    Limit("vent_up", 4.0, "K", PRACTICE),
    Limit("shortest", 25.0, "s", PRACTICE),
    Limit("merge", 45.0, "s", PRACTICE),
    Limit("mostly", 0.6, "share of an episode", PRACTICE),
    Limit("pull_down", 120.0, "s", PRACTICE),
    Limit("permanent_lift", 0.85, "1", "a healthy system stands at 1.1 or more; " + PRACTICE),
    Limit("permanent_vent", 15.0, "degC", PRACTICE),
    Limit("duty_full", 60.0, "%", PRACTICE),
    Limit("duty_low", 25.0, "%", PRACTICE),
    Limit("warm_ambient", 20.0, "degC", PRACTICE),
)

GAIN = 0.01
"""What a difference of one sensor's readings owes to its gain (common practice, no source); its offset cancels."""


def detect(case: Case) -> Detection:
    """Find stretches of lost lift while the compressor is driven, and a lift that is small throughout."""
    told = case.running.basis == "clutch" or case.operating.engine_basis == "engine_speed"
    te = case.evened(case.derived.evaporating_degc, 5.0)
    lift = case.evened(case.derived.lift, 5.0)
    vent = case.evened(case.timeline.grid("vent"), 5.0)
    settled = case.running.pumping & (case.timeline.t_s > case.running.runs[0].start_s + LIMITS["pull_down"].value)
    if te is None or lift is None or vent is None or case.seconds(settled) < LIMITS["shortest"].value:
        return Detection(UNDECIDED, "too little driving past pull-down")
    permanent = _permanent(case, settled, lift, vent)
    if permanent is not None and told:
        return Detection(PRESENT, "little lift throughout, with warm vents", (permanent,))
    usual_te, usual_lift = float(np.quantile(te[settled], 0.4)), float(np.quantile(lift[settled], 0.6))
    usual_vent = float(np.quantile(vent[settled], 0.3))
    over = case.evened(case.derived.over_ambient_k, 5.0)
    # A compressor that pumps well under high load rejects much heat: condensing near ambient says that it does not.
    near = lift < LIMITS["permanent_lift"].value if over is None else over < LIMITS["condensing_near"].value
    near = near & (te > LIMITS["evaporating_warm"].value)
    weak = (
        near
        & settled
        & (te > usual_te + LIMITS["evaporating_up"].value)
        & (lift < usual_lift - LIMITS["lift_lost"].value)
    )
    episodes: list[Episode] = []
    for span in case.spans(weak & _running_on(case), LIMITS["shortest"].value, LIMITS["merge"].value):
        warm = float(vent[span[0] : span[1] + 1].max()) - usual_vent
        mostly = float(np.mean(weak[span[0] : span[1] + 1])) >= LIMITS["mostly"].value
        if mostly and warm >= LIMITS["vent_up"].value:
            episodes.append(_episode(case, te, lift, usual_te, usual_lift, warm, span))
    if episodes and not told:
        says = episodes[0].evidence[0].says.removeprefix("driven, yet ")
        why = f"{says}, but nothing shows that the compressor was driven"
        return Detection(UNDECIDED, why, (), ("clutch", "engine_speed"), suspected=True)
    if episodes:
        return Detection(
            PRESENT,
            f"{'once' if len(episodes) == 1 else f'{len(episodes)} times'} the lift was lost while driven",
            tuple(episodes),
        )
    return Detection(ABSENT, f"while driven the lift held near ln(high/low) {usual_lift:.2f}")


def _running_on(case: Case) -> Mask:
    """Not within 20 s of a start: liquid leaving the evaporator looks alike."""
    return case.since_start() > 20.0


def _permanent(case: Case, settled: Mask, lift: Floats, vent: Floats) -> Episode | None:
    steady = settled & _running_on(case)
    if case.seconds(steady) < 4.0 * LIMITS["shortest"].value:
        return None
    level, air = float(np.quantile(lift[steady], 0.8)), float(np.median(vent[steady]))
    ambient = case.median(case.timeline.grid("ambient"), 0.0, case.timeline.duration_s)
    small = level < LIMITS["permanent_lift"].value and air > LIMITS["permanent_vent"].value
    if not small or not ambient > LIMITS["warm_ambient"].value:
        return None
    says = f"ln(high/low) only {level:.2f} while driven, vents at {air:.0f} degC"
    evidence = Evidence(
        "little_lift", says, {"lift": measured(level, _u_lift(case)), "vent_degc": measured(air, case.u_air_k("vent"))}
    )
    start, end = case.running.runs[0].start_s, case.last_stop_s()
    return Episode(KIND, start, end, 0.6, (evidence, *_duty(case, start, end)), permanent=True)


def _episode(
    case: Case, te: Floats, lift: Floats, usual_te: float, usual_lift: float, warm: float, span: tuple[int, int]
) -> Episode:
    first, last = span
    t = case.timeline.t_s
    calm = np.flatnonzero(te[: first + 1] < usual_te + LIMITS["onset_up"].value)
    start = int(calm[-1]) if len(calm) else first
    back = np.flatnonzero(te[last:] < usual_te + LIMITS["onset_up"].value)
    end = last + int(back[0]) if len(back) else last
    rise = float(np.median(te[first : last + 1])) - usual_te
    lost = usual_lift - float(np.median(lift[first : last + 1]))
    measures = {
        "evaporating_rise_k": measured(rise, GAIN * rise, _noise(case, "low_side") * 0.1),
        "lift_lost": measured(lost, GAIN * lost),
        "vent_rise_k": measured(warm, GAIN * warm, _noise(case, "vent")),
    }
    says = f"driven, yet evaporating rose {rise:.0f} K, ln(high/low) fell by {lost:.2f}, vents warmed by {warm:.0f} K"
    severity = round(min(1.0, max(0.1, lost / max(usual_lift, 0.1) * 1.6)), 2)
    evidence = (Evidence("lift_lost", says, measures), *_duty(case, float(t[first]), float(t[last])))
    return Episode(KIND, float(t[start]), float(t[end]), severity, evidence)


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


def _noise(case: Case, place: str) -> float:
    signal = case.timeline.signal(place)
    return signal.noise if signal else 0.0
