"""The condenser does not get its air: condensing temperature climbs away from ambient while pumping.

The vehicle is compared with itself: its own condensing-over-ambient under like conditions (standing or moving, engine
speed) is the baseline. Ordinary idling reaches a plateau below the limits; overcharge and air stand high at all times
and do not come and go.
"""

import math
from bisect import bisect_right
from dataclasses import dataclass

import numpy as np

from analysis.case import Case
from analysis.climbs import at_idle, climbs_in_calm, idling, sharp, sudden
from analysis.episodes import Detection
from analysis.findings import ABSENT, PRESENT, UNDECIDED, Episode, Evidence
from analysis.limits import PRACTICE, Limit, limit_table
from analysis.operating import Mask, held
from analysis.shown import times
from analysis.soak import excess_over_saturation
from analysis.stretches import Indices, edges_of, last_where, spans_of
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
    Limit("liquid_share", 0.35, "share of condensing over ambient", "an overfill or air stands higher; " + PRACTICE),
    Limit("baseline_quantile", 0.25, "1", PRACTICE),
    Limit("lift_kept", 0.75, "of the usual ln(high/low)", "below it little is pumped; " + PRACTICE),
    Limit("baseline_excess", 10.0, "K", "of one condition over the whole recording's baseline; " + PRACTICE),
    Limit("onset", 4.0, "K", PRACTICE),
    Limit("onset_search", 20.0, "s", PRACTICE),
    Limit("idle_near", 40.0, "s", PRACTICE),
    Limit("pulled_down", 2.0, "K", "evaporating, from before the climb; " + PRACTICE),
    Limit("still_share", 0.5, "of the rise", "around its core; " + PRACTICE),
    Limit("still_high", 6.0, "K", "above its own baseline: the air has not come back; " + PRACTICE),
    Limit("sharp_within", 60.0, "s", "heat that is not carried away shows within a minute or two; " + PRACTICE),
    Limit("shortest", 8.0, "s", PRACTICE),
    Limit("merge", 40.0, "s", "as long as ram air helps between two halts; " + PRACTICE),
    Limit("merge_high", 60.0, "s", "where it stays above its baseline meanwhile: ram air helps out; " + PRACTICE),
    Limit("merge_off", 120.0, "s", "while the compressor rests after a trip; " + PRACTICE),
    Limit("settled_in", 20.0, "s", PRACTICE),
    Limit("least_pumping", 60.0, "s", PRACTICE),
    Limit("fan_supply", 4.0, "V", PRACTICE),
    Limit("fan_current", 1.0, "A", "a condenser fan draws 5-25 A; " + PRACTICE),
    Limit("ram_air", 40.0, "km/h", "serves the condenser without a fan; " + PRACTICE),
    Limit("slow", 15.0, "km/h", PRACTICE),
    Limit("full_rise", 35.0, "K", "severity 1; " + PRACTICE),
)
BLOCKED_ALL_ALONG = "the same throughout; subcooling would tell a blocked condenser from a warm day"
SPEED_EDGES = (1100.0, 1700.0, 2500.0)


def detect(case: Case) -> Detection:
    """Find stretches in which condensing stands far above the vehicle's own baseline."""
    over = _over(case)
    pumping = case.running.pumping
    seen = _seen(case, over)
    if over is None or seen is None:
        return Detection(UNDECIDED, "too little pumping with both pressures and ambient to compare with itself")
    baseline = _baseline(case, seen, pumping)
    rise = seen - baseline
    least = LIMITS["rise_alone" if case.lacks("ambient") else "rise"].value
    hot = pumping & (rise > least) & ((seen > _level(case)) | at_idle(case, seen))
    spans = _grown(case, spans_of(hot | climbs_in_calm(case, seen, rise)), rise)
    spans = [(a, b) for a, b in spans if (b - a) * case.timeline.step_s >= LIMITS["shortest"].value]
    spans = [span for span in spans if not _fan_turned(case, span)]
    spans = [span for span in spans if not _driven_faster(case, _edges(case, seen, baseline, span))]
    settled = case.settled(LIMITS["settled_in"].value)
    usual = float(np.median(seen[settled])) if settled.any() else float("nan")
    if not spans:
        top = float(np.max(rise[settled])) if settled.any() else 0.0
        u_top = 2.0 * _u_over(case, usual)
        if usual > _level(case):
            return _throughout(case, usual)
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
    spans = _apart(case, seen, baseline, spans)
    slow = _slow(case, seen, spans)
    if len(slow) == len(spans):
        why = "condensing climbed slowly above its own baseline: load, engine speed, charge or air do that too"
        return Detection(UNDECIDED, why, suspected=True)
    episodes = tuple(_episode(case, seen, baseline, span) for span in spans if span not in slow)
    return Detection(
        PRESENT,
        f"{times(len(episodes))} condensing climbed away from its own baseline",
        episodes,
    )


def _slow(case: Case, seen: Floats, spans: list[tuple[int, int]]) -> list[tuple[int, int]]:
    """Stretches without a sudden climb; one that stands high from a start on goes on with a loss that the stop hid."""
    slow: list[tuple[int, int]] = []
    lost: tuple[int, int] | None = None
    near = LIMITS["onset_search"].value
    runs, t = case.running.runs, case.timeline.t_s
    starts = [run.start_s for run in runs]
    for first, last in spans:
        run = bisect_right(starts, float(t[first])) - 1
        from_the_start = run > 0 and float(t[first]) - starts[run] < LIMITS["sharp_within"].value
        goes_on = lost is not None and from_the_start and abs(float(t[lost[1]]) - runs[run - 1].end_s) < near
        if goes_on or sudden(case, seen, (first, last)):
            lost = (first, last)
        else:
            slow.append((first, last))
    return slow


def _over(case: Case) -> Floats | None:
    """Condensing over ambient; without an ambient channel condensing itself, which one drive compares with itself."""
    return case.derived.over_ambient_k if not case.lacks("ambient") else case.derived.condensing_degc


def _level(case: Case) -> float:
    return LIMITS["level" if not case.lacks("ambient") else "level_degc"].value


def _throughout(case: Case, usual: float) -> Detection:
    """Condensing that stands far over ambient all the time: the condenser's liquid tells air from charge."""
    if case.lacks("ambient"):
        why = f"condensing stood at {usual:.0f} degC throughout; ambient would tell"
        at = Evidence("condensing_throughout", why, {"condensing_degc": measured(usual, case.u_condensing_k())})
        return Detection(UNDECIDED, why, (), ("ambient",), evidence=(at,))
    says = f"condensing stood {usual:.0f} K over ambient throughout"
    stands = Evidence("high_throughout", says, {"over_ambient_k": measured(usual, _u_over(case, usual))})
    settled = case.settled(LIMITS["settled_in"].value)
    subcooling = case.over(case.derived.subcooling_k, settled)
    level = {"over_ambient_k": measured(usual, _u_over(case, usual))}
    weighed = case.charge_in(case.stretches()[-1]) if case.stretches() else None
    full = weighed is not None and weighed.off > 2.0 * weighed.u
    if len(subcooling) == 0 and usual >= LIMITS["beyond"].value and not full:
        return _permanent(case, usual, Evidence("far_beyond", f"{says}: more than charge or air left in make", level))
    if len(subcooling) == 0:
        missing = tuple(place for place in ("liquid_line",) if case.lacks(place))
        words = "nothing to compare with; subcooling would tell air from charge"
        evidence = (stands, Evidence("airflow_reading", words))
        suspected = usual > LIMITS["far"].value
        return Detection(UNDECIDED, f"{says}; {words}", (), missing, suspected=suspected, evidence=evidence)
    share = float(np.median(subcooling)) / usual
    air = excess_over_saturation(case)
    gas = air is not None and air.value is not None and air.value > (air.u95 or 0.0)
    if share > LIMITS["liquid_share"].value or gas or usual < LIMITS["far"].value:
        words = f"{100 * share:.0f} % of it subcooling: charge and air do that too"
        evidence = (stands, Evidence("airflow_reading", words))
        return Detection(UNDECIDED, f"{says}; {words}", evidence=evidence)
    words = f"{says}, with only {100 * share:.0f} % of it subcooling"
    level["subcooling_share"] = measured(share, 0.05)
    return _permanent(case, usual, Evidence("condensing_high_throughout", words, level))


def _permanent(case: Case, usual: float, evidence: Evidence) -> Detection:
    start, severity = case.running.runs[0].start_s, min(1.0, (usual - 20.0) / LIMITS["full_rise"].value)
    episode = Episode(KIND, start, case.last_stop_s(), round(severity, 2), (evidence,), permanent=True)
    return Detection(PRESENT, "condensing stands far over ambient and it is not the charge", (episode,))


def _fan_turned(case: Case, span: tuple[int, int]) -> bool:
    """Whether the fan drew its current as before: a blockage does not come and go. Supply alone turns no dead motor."""
    current = case.timeline.grid("fan_current")
    if current is None:
        return False
    inside = float(np.nanmedian(current[span[0] : span[1] + 1]))
    return inside > max(LIMITS["fan_current"].value, 0.8 * float(np.nanmedian(current[case.running.pumping])))


def _driven_faster(case: Case, edges: "_Edges") -> bool:
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


def _baseline(case: Case, seen: Floats, pumping: Mask) -> Floats:
    """Healthy condensing-over-ambient under the conditions of each grid point.

    Moments of lost lift are left out: a compressor that pumps little brings the condenser no heat.
    """
    settled = case.settled(LIMITS["settled_in"].value)
    judged = settled if settled.any() else pumping
    if case.derived.lift is not None:
        lift = case.derived.lift
        pumps = lift > LIMITS["lift_kept"].value * float(np.median(case.over(lift, judged)))
        judged = judged & pumps if (judged & pumps).any() else judged
    quantile = LIMITS["baseline_quantile"].value
    whole = float(np.quantile(seen[judged], quantile))
    baseline = np.full(len(seen), whole)
    condition = np.zeros(len(seen), np.intp)
    if case.operating.engine_speed is not None:
        rotation = np.nan_to_num(case.operating.engine_speed)
        condition += np.searchsorted(np.array(SPEED_EDGES), rotation)
    if case.operating.moving is not None:
        condition += 10 * case.operating.moving
    for value in np.unique(condition[judged]).tolist():
        own = condition == value
        if float((own & judged).sum()) * case.timeline.step_s >= LIMITS["least_pumping"].value / 2.0:
            level = float(np.quantile(seen[own & judged], quantile))
            baseline[own] = min(max(level, whole - 5.0), whole + LIMITS["baseline_excess"].value)
    return baseline


def _grown(case: Case, cores: list[tuple[int, int]], rise: Floats) -> list[tuple[int, int]]:
    """Each core with what stands above a share of its own rise around it; cores of one loss become one."""
    grown: list[tuple[int, int]] = []
    reach, idle = round(LIMITS["sharp_within"].value / case.timeline.step_s), idling(case)
    speed = case.timeline.grid("vehicle_speed")
    # At road speed ram air serves the condenser, whatever its fan does.
    served = case.running.pumping & (True if speed is None else held(speed) < LIMITS["ram_air"].value)
    for core in _merged(case, cores, rise, idle):
        if grown and core[1] <= grown[-1][1]:
            continue
        share = LIMITS["still_share"].value * float(rise[core[0] : core[1] + 1].max())
        around = _around(case, core, edges_of(served & (rise > share)), rise, idle)
        whole = max(min(around[0], core[0]), core[0] - reach), max(around[1], core[1])
        if grown and whole[0] <= grown[-1][1]:
            whole = grown.pop()[0], whole[1]
        grown.append(whole)
    return grown


def _around(
    case: Case, core: tuple[int, int], edges: tuple[Indices, Indices], rise: Floats, idle: Mask
) -> tuple[int, int]:
    """The stretches that meet a core, and those beside them that are one with them; the core itself without any."""
    firsts, lasts = edges
    low, high = int(np.searchsorted(lasts, core[0])), int(np.searchsorted(firsts, core[1], side="right")) - 1

    def one(index: int) -> bool:
        within = 0 <= index < len(firsts) - 1
        return within and _belong(case, int(lasts[index]), int(firsts[index + 1]), rise, idle)

    if low > high:
        if not one(high):
            return core
        low, high = high, low
    while one(low - 1):
        low -= 1
    while one(high):
        high += 1
    return int(firsts[low]), int(lasts[high])


def _merged(case: Case, spans: list[tuple[int, int]], rise: Floats, idle: Mask) -> list[tuple[int, int]]:
    """Join stretches that belong together."""
    joined: list[tuple[int, int]] = []
    for first, last in spans:
        if joined and _belong(case, joined[-1][1], first, rise, idle):
            joined[-1] = (joined[-1][0], last)
        else:
            joined.append((first, last))
    return joined


def _belong(case: Case, last: int, first: int, rise: Floats, idle: Mask) -> bool:
    """Whether only a trip or a short dip parts the end of a stretch from the next, or it never came to its baseline."""
    gap, pumping = slice(last + 1, first), case.running.pumping
    high = bool((rise[gap][pumping[gap]] > LIMITS["still_high"].value).all() and not idle[gap].all())
    resting = float(np.mean(~pumping[gap])) > 0.6
    longest = LIMITS["merge_off" if resting else "merge_high" if high else "merge"].value
    return (first - last) * case.timeline.step_s <= longest


def _apart(case: Case, seen: Floats, baseline: Floats, spans: list[tuple[int, int]]) -> list[tuple[int, int]]:
    """Join stretches whose climbs begin before the one before has ended: it is one loss."""
    joined: list[tuple[int, int]] = []
    ended = -1
    for span in spans:
        edges = _edges(case, seen, baseline, span)
        if joined and edges.first <= ended:
            joined[-1] = (joined[-1][0], span[1])
            edges = _edges(case, seen, baseline, joined[-1])
        else:
            joined.append(span)
        ended = edges.last
    return joined


@dataclass(frozen=True, slots=True)
class _Edges:
    first: int
    last: int


def _edges(case: Case, seen: Floats, baseline: Floats, span: tuple[int, int]) -> _Edges:
    """From where it left its baseline to where it turned to fall."""
    first, last = span
    above, pumping = LIMITS["onset"].value, case.running.pumping
    onset = last_where(lambda part: (seen[part] <= baseline[part] + above) | ~pumping[part], first) + 1
    climb = sharp(case, seen, *span)
    # Where it stood above its baseline already (after a start, say) the climb itself tells when the air was lost.
    long_before = (first - onset) * case.timeline.step_s > LIMITS["sharp_within"].value
    if climb is not None and climb[1] >= first and climb[0] > onset and long_before:
        onset = min(climb[0], first)
    onset = _climb_begins(case, seen, onset, span)
    tail = max(first, last - round(45.0 / case.timeline.step_s))
    window = seen[tail : last + 1]
    turned = tail + int(np.flatnonzero(window >= window.max() - 1.0)[-1])
    fell = turned < last - round(1.0 / case.timeline.step_s)
    return _Edges(onset, turned if fell else last)


def _climb_begins(case: Case, seen: Floats, crossing: int, span: tuple[int, int]) -> int:
    """Last moment before the crossing at which it did not climb yet: under a quarter of the climb's mean slope."""
    step = case.timeline.step_s
    reach = max(round(2.0 / step), 1)
    peak = crossing + int(np.argmax(seen[crossing : span[1] + 1]))
    mean = (seen[peak] - seen[crossing]) / max((peak - crossing) * step, step)
    near = max(crossing - round(LIMITS["onset_search"].value / step), reach)
    at = np.arange(near, max(crossing, near + 1))
    slope = (seen[np.minimum(at + reach, len(seen) - 1)] - seen[at - reach]) / (2 * reach * step)
    flat = np.flatnonzero(slope < 0.25 * mean)
    return int(at[flat[-1]]) + 1 if len(flat) else near


def _climb_s(case: Case, seen: Floats, own: float, edges: _Edges) -> float:
    """Seconds from leaving the baseline to most (85 %) of the rise."""
    part = seen[edges.first : edges.last + 1]
    nearly = np.flatnonzero(part >= own + 0.85 * (float(part.max()) - own))
    return float(nearly[0]) * case.timeline.step_s if len(nearly) else float("nan")


def _episode(case: Case, seen: Floats, baseline: Floats, span: tuple[int, int]) -> Episode:
    edges = _edges(case, seen, baseline, span)
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
    measures = {
        "over_ambient_k": measured(float(seen[peak]), u),
        "baseline_k": measured(own, u),
        "rise_k": measured(rise, 0.05 * rise, 0.5),
        "climb_s": measured(climb_s, case.timeline.step_s, 0.05 * climb_s),
        "high_side_kpa": measured(kpa, _u_high(case)),
    }
    says = (
        f"condensing climbed {rise:.0f} K over its own baseline, most of it in {climb_s:.0f} s, to "
        f"{seen[peak]:.0f} K over ambient ({kpa:.0f} kPa gauge)"
    )
    evidence = [Evidence("condensing_climbs", says, measures), *_conditions(case, edges)]
    severity = min(1.0, max(0.1, rise / LIMITS["full_rise"].value))
    return Episode(KIND, float(t[edges.first]), float(t[edges.last]), round(severity, 2), tuple(evidence))


def _conditions(case: Case, edges: _Edges) -> list[Evidence]:
    part = slice(edges.first, edges.last + 1)
    found: list[Evidence] = []
    speed = case.timeline.grid("vehicle_speed")
    if speed is not None and np.isfinite(speed[part]).any():
        kmh = float(np.nanmedian(speed[part]))
        where = "at standstill or crawling" if kmh < LIMITS["slow"].value else f"at {kmh:.0f} km/h"
        found.append(Evidence("road_speed", where, {"vehicle_speed_kmh": measured(kmh, 1.0)}))
    fan = case.timeline.grid("fan")
    if fan is not None and np.isfinite(fan[part]).any():
        volts = float(np.nanmedian(fan[part]))
        state = "without" if volts < LIMITS["fan_supply"].value else "with"
        says = f"condenser fan {state} supply meanwhile ({volts:.1f} V)"
        found.append(Evidence(f"fan_{state}_supply", says, {"fan_v": measured(volts, 0.2)}))
    current = case.timeline.grid("fan_current")
    if current is not None and np.isfinite(current[part]).any():
        amperes = float(np.nanmedian(current[part]))
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
