"""The condenser does not get its air: condensing temperature climbs away from ambient while pumping.

The vehicle is compared with itself: its own condensing-over-ambient under like conditions (standing or moving, engine
speed) is the baseline. Ordinary idling reaches a plateau below the limits; overcharge and air stand high at all times
and do not come and go.
"""

import math
from bisect import bisect_right

import numpy as np

from analysis.case import Case
from analysis.climbs import at_idle, climbs_in_calm, idling, sudden, without_fan
from analysis.episodes import Detection
from analysis.findings import ABSENT, PRESENT, UNDECIDED, Episode, Evidence
from analysis.hot_stretches import LIMITS as HOT
from analysis.hot_stretches import Edges, apart, at_road_speed, baseline_of, bounds_of, grown
from analysis.limits import PRACTICE, Limit, limit_table
from analysis.operating import Mask
from analysis.shown import times
from analysis.soak import excess_over_saturation
from analysis.starving import spells_of
from analysis.stretches import median_of, spans_of
from analysis.timeline import Floats
from analysis.uncertainty import measured

KIND = "condenser_airflow_loss"
NEEDS = ("low_side", "high_side", "refrigerant", "runs")
LIMITS = limit_table(
    Limit("rise", 12.0, "K", "above the vehicle's own baseline under like conditions; " + PRACTICE),
    Limit("rise_alone", 14.0, "K", "where no ambient was recorded, which wanders as well; " + PRACTICE),
    Limit("level", 32.0, "K", "above ambient + 20..30 K of healthy idling; " + PRACTICE),
    Limit("level_degc", 60.0, "degC", "where no ambient was recorded; " + PRACTICE),
    Limit("far", 36.0, "K", "over ambient throughout; " + PRACTICE),
    Limit("usual_high", 23.0, "K", "over ambient, in the upper part of what is usual; " + PRACTICE),
    Limit("beyond", 39.0, "K", "over ambient, above what charge or air left in make; " + PRACTICE),
    Limit("follows_up", 5.0, "degC", "evaporating; an overfill keeps its evaporator cold; " + PRACTICE),
    Limit("liquid_share", 0.35, "share of condensing over ambient", "an overfill or air stands higher; " + PRACTICE),
    Limit("onset_search", 20.0, "s", PRACTICE),
    Limit("idle_near", 40.0, "s", PRACTICE),
    Limit("pulled_down", 2.0, "K", "evaporating, from before the climb; " + PRACTICE),
    Limit("sharp_within", 60.0, "s", "heat that is not carried away shows within a minute or two; " + PRACTICE),
    Limit("shortest", 8.0, "s", PRACTICE),
    Limit("settled_in", 20.0, "s", PRACTICE),
    Limit("least_pumping", 60.0, "s", PRACTICE),
    Limit("usual_idle", 27.0, "K", "over ambient; 20-30 K are usual; " + PRACTICE),
    Limit("like_before", 3.0, "K", "of where it stood at idle before; " + PRACTICE),
    Limit("stood_for", 20.0, "s", PRACTICE),
    Limit("fan_supply", 4.0, "V", PRACTICE),
    Limit("fan_current", 1.0, "A", "a condenser fan draws 5-25 A; " + PRACTICE),
    Limit("slow", 15.0, "km/h", PRACTICE),
    Limit("full_rise", 35.0, "K", "severity 1; " + PRACTICE),
)
ALSO_AT_SPEED = Evidence("also_at_speed", "at road speed as well, where ram air should bring it lower")
BLOCKED_ALL_ALONG = "the same throughout; subcooling would tell a blocked condenser from a warm day"


def detect(case: Case) -> Detection:
    """Find stretches in which condensing stands far above the vehicle's own baseline."""
    over = _over(case)
    pumping = case.running.pumping
    seen = _seen(case, over)
    if over is None or seen is None:
        return Detection(UNDECIDED, "too little pumping with both pressures and ambient to compare with itself")
    baseline = baseline_of(case, seen, pumping)
    rise = seen - baseline
    least = LIMITS["rise_alone" if case.lacks("ambient") else "rise"].value
    hot = pumping & (rise > least) & ((seen > _level(case)) | at_idle(case, seen))
    unserved = without_fan(case, seen, rise)
    spans = grown(case, spans_of(hot | climbs_in_calm(case, seen, rise) | unserved), rise)
    spans = [(a, b) for a, b in spans if (b - a) * case.timeline.step_s >= LIMITS["shortest"].value]
    spans = [span for span in spans if not _fan_turned(case, span)]
    spans = [span for span in spans if not _driven_faster(case, bounds_of(case, seen, baseline, span))]
    spans = [span for span in spans if not _ordinary_halt(case, seen, spans, span)]
    settled = case.settled(LIMITS["settled_in"].value)
    usual = float(np.median(seen[settled])) if settled.any() else float("nan")
    if not spans:
        top = float(np.max(rise[settled])) if settled.any() else 0.0
        u_top = 2.0 * _u_over(case, usual)
        road = at_road_speed(case, seen)
        if road > HOT["far_at_speed"].value:
            return _throughout(case, road, HOT["far_at_speed"].value, (ALSO_AT_SPEED,))
        if usual > _level(case):
            return _throughout(case, usual, LIMITS["far"].value)
        stayed = f"condensing stayed within {top:.0f} K of its own baseline"
        rose = f"condensing rose up to {top:.0f} K over its own baseline, no further than load and engine speed take it"
        why = stayed if top < LIMITS["rise"].value else rose
        if case.lacks("ambient"):
            words = "without ambient a loss throughout would not show"
            evidence = (
                Evidence("near_baseline", why, {"top_k": measured(top, u_top / 2.0)}),
                Evidence("no_ambient", words),
            )
            return Detection(UNDECIDED, f"{why}; {words}", (), ("ambient",), evidence=evidence)
        u = _u_over(case, usual)
        why = f"{why} (median {usual:.0f} K over ambient)"
        measures = {"top_k": measured(top, u), "over_ambient_k": measured(usual, u)}
        evidence = (Evidence("near_baseline", why, measures),)
        if usual > LIMITS["usual_high"].value and case.lacks("liquid_line"):
            # Fed by a fan or not, a condenser that is blocked all along has no better time to be compared with.
            return Detection(UNDECIDED, f"{why}; {BLOCKED_ALL_ALONG}", (), ("liquid_line",), evidence=evidence)
        within = top + min(u_top, 3.0) < LIMITS["rise"].value or usual < LIMITS["level"].value
        return Detection(ABSENT if within else UNDECIDED, why, evidence=evidence)
    spans = apart(case, seen, baseline, spans)
    slow = _slow(case, seen, unserved, spans)
    if len(slow) == len(spans):
        why = "condensing climbed slowly above its own baseline: load, engine speed, charge or air do that too"
        return Detection(UNDECIDED, why, suspected=True)
    episodes = tuple(_episode(case, seen, baseline, span) for span in spans if span not in slow)
    return Detection(
        PRESENT,
        f"{times(len(episodes))} condensing climbed away from its own baseline",
        episodes,
    )


def _slow(case: Case, seen: Floats, unserved: Mask, spans: list[tuple[int, int]]) -> list[tuple[int, int]]:
    """Stretches without a sudden climb; one that stands high from a start on goes on with a loss that the stop hid."""
    slow, starved = list[tuple[int, int]](), spells_of(case)
    lost: tuple[int, int] | None = None
    near = LIMITS["onset_search"].value
    runs, t = case.running.runs, case.timeline.t_s
    starts = [run.start_s for run in runs]
    for first, last in spans:
        run = bisect_right(starts, float(t[first])) - 1
        from_the_start = run > 0 and float(t[first]) - starts[run] < LIMITS["sharp_within"].value
        goes_on = lost is not None and from_the_start and abs(float(t[lost[1]]) - runs[run - 1].end_s) < near
        if goes_on or unserved[first : last + 1].any() or sudden(case, seen, (first, last), starved):
            lost = (first, last)
        else:
            slow.append((first, last))
    return slow


def _over(case: Case) -> Floats | None:
    """Condensing over ambient; without an ambient channel condensing itself, which one drive compares with itself."""
    return case.derived.over_ambient_k if not case.lacks("ambient") else case.derived.condensing_degc


def _level(case: Case) -> float:
    return LIMITS["level" if not case.lacks("ambient") else "level_degc"].value


def _throughout(case: Case, usual: float, far_k: float, also: tuple[Evidence, ...] = ()) -> Detection:
    """Condensing that stands far over ambient all the time: the condenser's liquid tells air from charge."""
    if case.lacks("ambient"):
        why = f"condensing stood at {usual:.0f} degC throughout; ambient would tell"
        at = Evidence("condensing_throughout", why, {"condensing_degc": measured(usual, case.u_condensing_k())})
        return Detection(UNDECIDED, why, (), ("ambient",), evidence=(at,))
    says = f"condensing stood {usual:.0f} K over ambient throughout"
    stands = (Evidence("high_throughout", says, {"over_ambient_k": measured(usual, _u_over(case, usual))}), *also)
    settled = case.settled(LIMITS["settled_in"].value)
    subcooling = case.over(case.derived.subcooling_k, settled)
    level = {"over_ambient_k": measured(usual, _u_over(case, usual))}
    weighed = case.charge_in(case.stretches()[-1]) if case.stretches() else None
    full = weighed is not None and weighed.off > 2.0 * weighed.u
    up = median_of(case.over(case.derived.evaporating_degc, settled)) > LIMITS["follows_up"].value
    if len(subcooling) == 0 and usual >= LIMITS["beyond"].value and up and not full:
        words = f"{says}, and the low side followed up: an overfill cools on"
        return _permanent(case, usual, (Evidence("far_beyond", words, level), *also))
    if len(subcooling) == 0:
        missing = tuple(place for place in ("liquid_line",) if case.lacks(place))
        reading = Evidence("airflow_reading", "nothing to compare with; subcooling would tell air from charge")
        return _unsettled((*stands, reading), missing, suspected=usual > far_k)
    share = float(np.median(subcooling)) / usual
    air = excess_over_saturation(case)
    gas = air is not None and air.value is not None and air.value > (air.u95 or 0.0)
    if share > LIMITS["liquid_share"].value or gas or usual < far_k:
        words = f"{100 * share:.0f} % of it subcooling: charge and air do that too"
        return _unsettled((*stands, Evidence("airflow_reading", words)), (), suspected=False)
    words = f"{says}, with only {100 * share:.0f} % of it subcooling"
    level["subcooling_share"] = measured(share, 0.05)
    return _permanent(case, usual, (Evidence("condensing_high_throughout", words, level), *also))


def _unsettled(evidence: tuple[Evidence, ...], missing: tuple[str, ...], *, suspected: bool) -> Detection:
    why = "; ".join(one.says for one in evidence)
    return Detection(UNDECIDED, why, (), missing, suspected=suspected, evidence=evidence)


def _permanent(case: Case, usual: float, evidence: tuple[Evidence, ...]) -> Detection:
    start, severity = case.running.runs[0].start_s, min(1.0, (usual - 20.0) / LIMITS["full_rise"].value)
    episode = Episode(KIND, start, case.last_stop_s(), round(severity, 2), evidence, permanent=True)
    return Detection(PRESENT, "condensing stands far over ambient and it is not the charge", (episode,))


def _ordinary_halt(case: Case, seen: Floats, spans: list[tuple[int, int]], span: tuple[int, int]) -> bool:
    """Whether it rose no further than to where it stood at idle before, and that is no more than usual for idling."""
    peak = float(seen[span[0] : span[1] + 1].max())
    if case.lacks("ambient") or peak > LIMITS["usual_idle"].value:
        return False
    before = idling(case) & case.settled(LIMITS["settled_in"].value)
    before[span[0] :] = False
    for first, last in spans:
        before[first : last + 1] = False
    stood = seen[before]
    enough = case.seconds(before) >= LIMITS["stood_for"].value
    return enough and peak <= float(np.quantile(stood, 0.9)) + LIMITS["like_before"].value


def _fan_turned(case: Case, span: tuple[int, int]) -> bool:
    """Whether the fan drew its current as before: a blockage does not come and go. Supply alone turns no dead motor."""
    current = case.timeline.grid("fan_current")
    if current is None:
        return False
    inside = float(np.nanmedian(current[span[0] : span[1] + 1]))
    return inside > max(LIMITS["fan_current"].value, 0.8 * float(np.nanmedian(current[case.running.pumping])))


def _driven_faster(case: Case, edges: Edges) -> bool:
    """Whether the compressor was driven faster from there, where no engine speed says so: more heat, not less air.

    Faster it pulls the evaporator down; a condenser without air lets the low side follow up.
    """
    if case.operating.engine_speed is not None:
        return False
    at, near = float(case.timeline.t_s[edges.first]), LIMITS["idle_near"].value
    if any(abs(mark - at) < near for mark in case.timeline.marked("raised_idle")):
        return True
    end = min(float(case.timeline.t_s[edges.last]), at + 2.0 * LIMITS["sharp_within"].value)
    te = case.derived.evaporating_degc
    fell = case.median(te, at - LIMITS["onset_search"].value, at) - case.median(te, at + near / 2.0, end)
    return fell > LIMITS["pulled_down"].value


def _seen(case: Case, over: Floats | None) -> Floats | None:
    """Condensing over ambient, evened over 3 s, gaps bridged; None with too little of it."""
    if over is None:
        return None
    good = np.isfinite(over)
    if float((good & case.running.pumping).sum()) * case.timeline.step_s < LIMITS["least_pumping"].value:
        return None
    return case.evened(over, 3.0)


def _climb_s(case: Case, seen: Floats, own: float, edges: Edges) -> float:
    """Seconds from leaving the baseline to most (85 %) of the rise."""
    part = seen[edges.first : edges.last + 1]
    nearly = np.flatnonzero(part >= own + 0.85 * (float(part.max()) - own))
    return float(nearly[0]) * case.timeline.step_s if len(nearly) else float("nan")


def _episode(case: Case, seen: Floats, baseline: Floats, span: tuple[int, int]) -> Episode:
    edges = bounds_of(case, seen, baseline, span)
    t = case.timeline.t_s
    part = slice(edges.first, edges.last + 1)
    peak = edges.first + int(np.argmax(seen[part]))
    own = float(baseline[span[0]])
    rise = float(seen[peak]) - own
    high = case.derived.high_kpa
    kpa = float("nan")
    if high is not None:
        kpa = case.median(high, float(t[peak]) - 1, float(t[peak]) + 1) - case.timeline.barometric_kpa
    climb_s = _climb_s(case, seen, own, edges)
    u = _u_over(case, float(seen[peak]))
    over = not case.lacks("ambient")
    measures = {
        "over_ambient_k" if over else "condensing_degc": measured(float(seen[peak]), u),
        "baseline_k" if over else "baseline_degc": measured(own, u),
        "rise_k": measured(rise, 0.05 * rise, 0.5),
        "climb_s": measured(climb_s, case.timeline.step_s, 0.05 * climb_s),
        "high_side_kpa": measured(kpa, _u_high(case)),
    }
    says = (
        f"condensing climbed {rise:.0f} K over its own baseline, most of it in {climb_s:.0f} s, to "
        f"{seen[peak]:.0f} {'K over ambient' if over else 'degC'} ({kpa:.0f} kPa gauge)"
    )
    evidence = [Evidence("condensing_climbs", says, measures), *_conditions(case, edges)]
    severity = min(1.0, max(0.1, rise / LIMITS["full_rise"].value))
    return Episode(KIND, float(t[edges.first]), float(t[edges.last]), round(severity, 2), tuple(evidence))


def _conditions(case: Case, edges: Edges) -> list[Evidence]:
    part = slice(edges.first, edges.last + 1)
    found: list[Evidence] = []
    speed = case.timeline.grid("vehicle_speed")
    if speed is not None and np.isfinite(speed[part]).any():
        kmh = median_of(speed[part])
        where = "at standstill or crawling" if kmh < LIMITS["slow"].value else f"at {kmh:.0f} km/h"
        found.append(Evidence("road_speed", where, {"vehicle_speed_kmh": measured(kmh, 1.0)}))
    fan = case.timeline.grid("fan")
    if fan is not None and np.isfinite(fan[part]).any():
        volts = median_of(fan[part])
        state = "without" if volts < LIMITS["fan_supply"].value else "with"
        says = f"condenser fan {state} supply meanwhile ({volts:.1f} V)"
        found.append(Evidence(f"fan_{state}_supply", says, {"fan_v": measured(volts, 0.2)}))
    current = case.timeline.grid("fan_current")
    if current is not None and np.isfinite(current[part]).any():
        amperes = median_of(current[part])
        state = "without" if amperes < LIMITS["fan_current"].value else "with"
        says = f"condenser fan {state} current meanwhile ({amperes:.1f} A)"
        found.append(Evidence(f"fan_{state}_current", says, {"fan_a": measured(amperes, 0.2)}))
    return found


def _u_over(case: Case, over_k: float) -> float:
    ambient = case.timeline.signal("ambient")
    high = case.derived.high_kpa
    if ambient is None or high is None or not math.isfinite(over_k):
        return 2.0
    typical = case.usual_high_kpa if math.isfinite(case.usual_high_kpa) else 1500.0
    return math.hypot(ambient.u, case.derived.u_condensing_k(case.timeline, typical))


def _u_high(case: Case) -> float:
    signal = case.timeline.signal("high_side")
    return math.hypot(signal.u, case.timeline.barometric_u_kpa) if signal else 0.0
