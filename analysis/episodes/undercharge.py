"""Too little refrigerant: starved evaporator, no subcooling, short on-times with an orifice.

Judged by weight of evidence over each stretch between recharges, since no single sign is enough: a restriction
starves the evaporator too but keeps its subcooling, light load shortens cycles too but keeps the vents cold.
"""

from dataclasses import dataclass

import numpy as np

from analysis.case import Case
from analysis.dips import dips_of
from analysis.episodes import Detection
from analysis.findings import ABSENT, PRESENT, UNDECIDED, Episode, Evidence
from analysis.limits import PRACTICE, Limit, limit_table, weight_at
from analysis.operating import Mask
from analysis.stretches import smoothed, spans_of
from analysis.timeline import Floats, Span
from analysis.uncertainty import measured

KIND = "undercharge"
NEEDS = ("low_side", "high_side", "refrigerant", "runs")
LIMITS = limit_table(
    Limit("superheat_high", 16.0, "K", "5-15 K at the compressor inlet is usual; " + PRACTICE),
    Limit("far_starved", 18.0, "K", "vent over evaporating, as behind a narrow place; " + PRACTICE),
    Limit("heat_rejected", 6.0, "K", "condensing over ambient, below which subcooling tells nothing; " + PRACTICE),
    Limit("freezing", -4.0, "degC", "evaporating; ice starves the evaporator of air, not of refrigerant; " + PRACTICE),
    Limit("short_on", 8.0, "s", "an orifice system on for less at a warm ambient; " + PRACTICE),
    Limit("short_period", 9.0, "s", "more than 6-8 cycles a minute; " + PRACTICE),
    Limit("warm_ambient", 20.0, "degC", PRACTICE),
    Limit("short_share", 0.6, "share of the cycles", PRACTICE),
    Limit("met_quickly", 32.0, "s", "an open orifice lets the sides meet in 15-30 s; " + PRACTICE),
    Limit("met_slowly", 40.0, "s", PRACTICE),
    Limit("charge_short", 0.12, "share of the rated charge", "label +-5 %, plateau +-10 %; " + PRACTICE),
    Limit("present", 3.0, "log likelihood ratio", PRACTICE),
    Limit("suspected", 1.5, "log likelihood ratio", PRACTICE),
    Limit("absent", -1.5, "log likelihood ratio", PRACTICE),
    Limit("follow", -0.3, "log likelihood ratio", "vents that follow the evaporator; " + PRACTICE),
    Limit("settled_in", 60.0, "s", PRACTICE),
    Limit("least_steady", 30.0, "s", PRACTICE),
    Limit("from_the_start", 120.0, "s", PRACTICE),
)


SUPERHEAT = ((10.0, -2.0), (14.0, -1.0), (17.0, 0.3), (20.0, 1.8), (24.0, 2.5))
SUBCOOLING = ((1.0, 1.5), (4.0, 0.7), (7.0, -1.5), (10.0, -2.5))
SUBCOOLING_SHARE = ((0.08, 2.0), (0.18, 1.2), (0.25, 0.0), (0.35, -1.5), (0.5, -2.5))
VENT_GAP = ((7.0, -2.0), (9.0, -0.6), (12.0, 0.7), (16.0, 1.5))
"""Weights (log likelihood ratios) of levels [K; share of condensing over ambient]; common practice, no source: 5-15 K
of superheat at the compressor inlet and 4-12 K of subcooling are usual, vents follow a fed evaporator within 10 K."""
SUPERHEAT_CYCLING = ((12.0, -1.5), (18.0, -0.3), (24.0, 0.5), (30.0, 2.0))
VENT_GAP_CYCLING = ((10.0, -1.0), (14.0, 0.0), (18.0, 0.3), (24.0, 1.2))
"""The same at the ends of short runs, where the low side is at its lowest: healthy ones stand further apart there."""
HEAT = ((6.0, 0.6), (12.0, 0.2), (15.0, -0.4), (18.0, -0.9), (24.0, -1.6), (30.0, -2.2))
"""Weights of condensing over ambient [K]: little refrigerant carries little heat, and 10-30 K are usual. A clamp on the
suction line of a hot bay reads superheat that is not there; this does not share its error. Common practice, no
source."""


TELLS = {"recovered_kg": "weighing what is recovered"}


@dataclass(frozen=True, slots=True)
class _Sign:
    """One sign: its weight (log likelihood ratio), its words, when it shows (None: throughout)."""

    weight: float
    evidence: Evidence
    shows: Mask | None = None


def detect(case: Case) -> Detection:
    """Weigh the signs in each stretch between recharges."""
    episodes: list[Episode] = []
    sums: list[float] = []
    said: dict[str, Evidence] = {}
    fed = True
    for stretch in case.stretches():
        signs = [sign for sign in _signs(case, stretch) if sign is not None]
        total = sum(sign.weight for sign in signs)
        sums.append(total)
        speaking = [sign for sign in signs if sign.weight > 0]
        said |= {sign.evidence.says: sign.evidence for sign in signs}
        fed &= any(sign.evidence.rule == "vent_gap" and sign.weight <= LIMITS["follow"].value for sign in signs)
        strongest = max((sign.weight for sign in speaking), default=0.0)
        enough = total >= LIMITS["present"].value and (len(speaking) > 1 or strongest >= LIMITS["present"].value)
        if enough and not _as_narrow(case, signs):
            episodes.append(_episode(case, stretch, speaking))
    if episodes:
        return Detection(PRESENT, "the signs of too little refrigerant agree", tuple(episodes))
    missing = tuple(place for place in ("suction_line", "liquid_line") if case.lacks(place)) or case.unweighed()
    steady_orifice = case.job.metering == "fixed_orifice" and fed and not _any_short(case)
    if sums and max(sums) <= (0.0 if steady_orifice else LIMITS["absent"].value):
        return Detection(ABSENT, "; ".join(said), evidence=tuple(said.values()))
    suspected = bool(sums) and max(sums) >= LIMITS["suspected"].value
    probes = " and ".join(TELLS.get(place, f"a {place.replace('_', '-')} probe") for place in missing)
    words = ["that does not settle it" if said else "never steady for long enough to judge"]
    words += [f"{probes} would tell"] if probes else []
    evidence = (*said.values(), Evidence("undercharge_reading", "; ".join(words)))
    return Detection(UNDECIDED, "; ".join(e.says for e in evidence), (), missing, suspected, evidence)


def _as_narrow(case: Case, signs: list[_Sign]) -> bool:
    """Whether a narrow place explains the signs as well: far starved, and nothing tells how much liquid there is."""
    others = {sign.evidence.rule for sign in signs} - {"superheat", "vent_gap", "condensing"}
    if others or not case.lacks("liquid_line"):
        return False
    gaps = [
        sign.evidence.measures["vent_over_evaporating_k"].value for sign in signs if sign.evidence.rule == "vent_gap"
    ]
    return any(gap is not None and gap > LIMITS["far_starved"].value for gap in gaps)


def _signs(case: Case, stretch: Span) -> list[_Sign | None]:
    return [
        _superheat(case, stretch),
        _subcooling(case, stretch),
        _gap(case, stretch),
        _heat(case, stretch),
        _short_cycling(case, stretch),
        _charge(case, stretch),
        _orifice_open(case, stretch),
    ]


def _cycles_fast(case: Case) -> bool:
    """Whether it never runs long enough to be steady; then the ends of its runs are judged."""
    return not case.steady(LIMITS["settled_in"].value).any()


def _steady(case: Case, stretch: Span) -> Mask:
    t = case.timeline.t_s
    inside = (t >= stretch[0]) & (t <= stretch[1])
    for dips in dips_of(case):
        inside &= (t < dips.start_s) | (t > dips.end_s)  # a valve that hunts starves and floods by turns
    if _cycles_fast(case):
        return case.ends_of_runs() & inside
    steady = case.steady(LIMITS["settled_in"].value) & inside
    te = case.evened(case.derived.evaporating_degc, 20.0)
    return steady if te is None else steady & (te > LIMITS["freezing"].value)


def _steady_values(case: Case, values: Floats | None, stretch: Span) -> Floats | None:
    steady = case.over(values, _steady(case, stretch))
    return steady if len(steady) * case.timeline.step_s >= LIMITS["least_steady"].value else None


def _superheat(case: Case, stretch: Span) -> _Sign | None:
    values = _steady_values(case, case.derived.superheat_k, stretch)
    if values is None or case.derived.superheat_k is None:
        return None
    k = float(np.quantile(values, 0.75))
    table, when = (SUPERHEAT_CYCLING, "at the ends of the runs") if _cycles_fast(case) else (SUPERHEAT, "steady")
    says = f"superheat {k:.0f} K at the suction probe, {when}"
    evidence = Evidence("superheat", says, {"superheat_k": measured(k, case.u_superheat_k())})
    high = LIMITS["superheat_high"].value
    return _Sign(weight_at(k, table), evidence, _shown(case, case.derived.superheat_k, stretch, above=high))


def _subcooling(case: Case, stretch: Span) -> _Sign | None:
    """Subcooling as a share of condensing over ambient: with little heat at the condenser a few kelvin are much."""
    values = _steady_values(case, case.derived.subcooling_k, stretch)
    if values is None or case.derived.subcooling_k is None:
        return None
    k = float(np.quantile(values, 0.25))
    when = "at the ends of the runs" if _cycles_fast(case) else "steady"
    says = f"subcooling {k:.0f} K at the liquid-line probe, {when}"
    evidence = Evidence("subcooling", says, {"subcooling_k": measured(k, case.u_subcooling_k())})
    over = _steady_values(case, case.derived.over_ambient_k, stretch)
    if over is None:
        return _Sign(weight_at(k, SUBCOOLING), evidence)
    above = float(np.median(over))
    if above < LIMITS["heat_rejected"].value:
        return None
    return _Sign(weight_at(k / above, SUBCOOLING_SHARE), evidence)


def _gap(case: Case, stretch: Span) -> _Sign | None:
    values = _steady_values(case, case.derived.vent_over_evaporating_k, stretch)
    if values is None:
        return None
    k = float(np.median(values))
    table, when = (VENT_GAP_CYCLING, "at the ends of the runs") if _cycles_fast(case) else (VENT_GAP, "steady")
    says = f"vent air {k:.0f} K above the evaporating temperature, {when}"
    evidence = Evidence("vent_gap", says, {"vent_over_evaporating_k": measured(k, case.u_vent_gap_k())})
    return _Sign(weight_at(k, table), evidence)


def _heat(case: Case, stretch: Span) -> _Sign | None:
    """Heat that the condenser gives off; it tells how much of the evaporator is fed, beside signs of that alone."""
    values = _steady_values(case, case.derived.over_ambient_k, stretch)
    if values is None or _cycles_fast(case):
        return None
    k = float(np.median(values))
    says = f"condensing {k:.0f} K over ambient, steady"
    evidence = Evidence("condensing", says, {"over_ambient_k": measured(k, case.u_over_ambient_k())})
    # With a liquid-line probe the share of subcooling has weighed some of it already.
    liquid = _steady_values(case, case.derived.subcooling_k, stretch) is not None
    return _Sign(weight_at(k, HEAT) * (0.5 if liquid else 1.0), evidence)


def _cycle_times(case: Case) -> tuple[Floats, Floats, Floats]:
    """Start, on time and period of each whole cycle."""
    runs = case.running.runs
    starts = np.array([run.start_s for run in runs])
    on = np.array([run.end_s - run.start_s for run in runs])
    return starts[:-1], on[:-1], np.diff(starts)


def _short(case: Case) -> tuple[Floats, Mask, Floats, Floats]:
    starts, on, period = _cycle_times(case)
    short = (on < LIMITS["short_on"].value) & (period < LIMITS["short_period"].value)
    return starts, short, on, period


def _any_short(case: Case) -> bool:
    _, short, _, _ = _short(case)
    return len(short) > 0 and float(np.mean(short)) > LIMITS["short_share"].value / 2.0


def _short_cycling(case: Case, stretch: Span) -> _Sign | None:
    if case.job.metering != "fixed_orifice" or case.running.basis == "none" or len(case.running.runs) < 6:
        return None
    starts, short, on, period = _short(case)
    inside = (starts >= stretch[0]) & (starts <= stretch[1])
    if int(inside.sum()) < 6:
        return None
    ambient = case.median(case.timeline.grid("ambient"), *stretch)
    share = float(np.mean(short[inside]))
    even = smoothed(short.astype(float), 1.0, 9.0) > 0.7
    rapid = even & inside
    if share < LIMITS["short_share"].value / 2.0 or not rapid.any() or ambient < LIMITS["warm_ambient"].value:
        on_s = float(np.median(on[inside]))
        return _Sign(-1.0, Evidence("cycling", f"the compressor runs {on_s:.0f} s a cycle", {}))
    rate = 60.0 / float(np.mean(period[inside]))
    on_s = float(np.median(on[inside]))
    measures = {
        "per_minute": measured(rate, 0.1 * rate / np.sqrt(inside.sum())),
        "on_s": measured(on_s, 0.1),
        "ambient_degc": measured(ambient, case.u_air_k("ambient")),
    }
    says = f"{rate:.0f} cycles a minute, mostly short, on for {on_s:.0f} s, at {ambient:.0f} degC ambient"
    t = case.timeline.t_s
    shown = np.zeros(len(t), np.bool_)
    for first, last in spans_of(rapid):
        shown[
            case.timeline.index(float(starts[first])) : case.timeline.index(float(starts[last] + period[last])) + 1
        ] = 1
    return _Sign(3.0, Evidence("short_cycling", says, measures), shown)


def _orifice_open(case: Case, stretch: Span) -> _Sign | None:
    """Short cycling comes from a blocked orifice too, but then the sides meet slowly."""
    met = [e for e in case.equalisations if stretch[0] <= e.start_s <= stretch[1] and e.time_to_90_s.value is not None]
    if case.job.metering != "fixed_orifice" or not met:
        return None
    time = met[-1].time_to_90_s
    seconds = time.value or 0.0
    # An open orifice leaves only the charge to explain short cycles.
    for_it = 1.5 if _any_short(case) else 0.5
    weight = for_it if seconds < LIMITS["met_quickly"].value else -2.0 if seconds > LIMITS["met_slowly"].value else 0.0
    how = "as through an open orifice" if weight > 0 else "slow for an orifice"
    says = f"the sides met by 90 % in {seconds:.0f} s, {how}"
    return _Sign(weight, Evidence("orifice_open", says, {"time_to_90_s": time}))


def _charge(case: Case, stretch: Span) -> _Sign | None:
    """The mass that was in, against the rated charge."""
    charge = case.charge_in(stretch)
    if charge is None:
        return None
    measures = {"charge_missing": measured(-charge.off, charge.u)}
    limit = LIMITS["charge_short"].value
    if -charge.off - 2.0 * charge.u > limit:
        return _Sign(3.0, Evidence("charge_short", charge.says, measures))
    return _Sign(-2.5 if -charge.off + 2.0 * charge.u < limit else 0.0, Evidence("charge_known", charge.says, measures))


def _shown(case: Case, values: Floats, stretch: Span, above: float) -> Mask:
    """Where a quantity stands above its limit, evened over 20 s, while pumping steadily."""
    even = case.evened(values, 20.0)
    steady = _steady(case, stretch)
    return np.zeros(len(steady), np.bool_) if even is None else (even > above) & steady


def _episode(case: Case, stretch: Span, signs: list[_Sign]) -> Episode:
    runs = [run for run in case.running.runs if run.start_s < stretch[1] and run.end_s > stretch[0]]
    start, end = runs[0].start_s, runs[-1].end_s
    permanent = True
    shown = [sign.shows for sign in signs if sign.shows is not None and sign.shows.any()]
    if shown:
        first = float(case.timeline.t_s[np.flatnonzero(shown[0])[0]])
        if first - start > LIMITS["from_the_start"].value + LIMITS["settled_in"].value:
            start, permanent = first, False
    missing = [s.evidence.measures["charge_missing"].value for s in signs if s.evidence.rule == "charge_short"]
    severity = missing[0] if missing and missing[0] is not None else 0.4
    return Episode(KIND, start, end, round(severity, 2), tuple(sign.evidence for sign in signs), permanent)
