"""A channel that cannot be right: gaps of its own, bursts of spikes, a value that stands still, a rest offset.

Each says which channel; what it touches is taken out of the evidence rather than judged with. Gaps that all channels
of a stream share are losses of the link and are told as flags, not as a fault of a sensor.
"""

from itertools import pairwise

import numpy as np

from analysis.case import Case
from analysis.episodes import Detection
from analysis.findings import ABSENT, PRESENT, Episode, Evidence
from analysis.limits import PRACTICE, Limit, limit_table
from analysis.operating import Mask
from analysis.stretches import Indices, edges_of, spans_of, thinned
from analysis.timeline import Floats, Signal, Span
from analysis.uncertainty import Measured, combine, measured

KIND = "sensor_fault"
NEEDS: tuple[str, ...] = ()
LIMITS = limit_table(
    Limit("gap", 3.0, "s", PRACTICE),
    Limit("merge_gaps", 60.0, "s", PRACTICE),
    Limit("burst", 4.0, "spikes", "fewer are single bad readings; " + PRACTICE),
    Limit("merge_spikes", 60.0, "s", PRACTICE),
    Limit("stuck", 30.0, "s", "far longer than noise leaves a reading unchanged; " + PRACTICE),
    Limit("stuck_if_coarse", 120.0, "s", "a channel of coarse steps stands still by itself; " + PRACTICE),
    Limit("stuck_in_usual", 4.0, "1", "of how long its coarse steps leave a reading unchanged; " + PRACTICE),
    Limit("frozen", 90.0, "s", "while it pumps, of a channel that else flickers; " + PRACTICE),
    Limit("flickers", 0.4, "of the readings", "differ from the one before, by noise alone; " + PRACTICE),
    Limit("frozen_in_usual", 40.0, "1", "of the longest that noise leaves it unchanged; " + PRACTICE),
    Limit("pumps", 0.15, "of the time", "a cycling system at mild load; " + PRACTICE),
    Limit("probe_evens", 30.0, "s", "a vent probe does not follow a fast cycle; " + PRACTICE),
    Limit("other_moves", 60.0, "kPa", "what the other side does meanwhile; " + PRACTICE),
    Limit("rest_offset", 60.0, "kPa", "low above high at rest, beyond what warm air at one end makes; " + PRACTICE),
    Limit("rest", 8.0, "s", PRACTICE),
    Limit("crossed", 100.0, "kPa", "a compressor's valves open from low to high side at far less; " + PRACTICE),
    Limit("late_rest", 75.0, "s", "after a stop; the sides have come near each other; " + PRACTICE),
    Limit("steady", 8.0, "kPa", "from the first to the last third of the rest; " + PRACTICE),
    Limit("on_saturation", 2.0, "K", PRACTICE),
    Limit("vent_follows", 4.0, "K", PRACTICE),
    Limit("vent_follows_coarse", 13.0, "K", "warm air hides a little in coarse steps; " + PRACTICE),
    Limit("coil_without", 15.0, "K", "vent over evaporating; a coil short of refrigerant hardly moves it; " + PRACTICE),
    Limit("leaves", 6.0, "K", "vent air, at once; " + PRACTICE),
    Limit("comes_back", 0.05, "share of the rest of the drive", PRACTICE),
    Limit("leaves_within", 25.0, "s", "a probe that falls; ice and leaks take minutes; " + PRACTICE),
    Limit("circuit_still", 3.0, "K", "evaporating, before and after: more load warms both; " + PRACTICE),
    Limit("load_stays", 7.0, "K", "evaporating and condensing, as halts and speed move them; " + PRACTICE),
    Limit("like_evaporating", 2.0, "K", "two moments of like load; " + PRACTICE),
    Limit("like_condensing", 4.0, "K", "two moments of like load; " + PRACTICE),
    Limit("like_share", 0.2, "of the time", "for which there was a like moment before; " + PRACTICE),
    Limit("split_gone", 1.0, "K", "return air and vents, by two probes of one kind; " + PRACTICE),
    Limit("evaporator_below", 10.0, "K", "the vents, so that it cools what passes it; " + PRACTICE),
    Limit("stays_away", 75.0, "s", PRACTICE),
    Limit("pulls_down", 120.0, "s", PRACTICE),
    Limit("leap", 8.0, "K", "a probe of 3 s would need air 30 K away; " + PRACTICE),
    Limit("lets_go", 2.5, "K", "from one reading to the next, after a long stand; " + PRACTICE),
    Limit("leap_within", 1.5, "s", "sampled more slowly a leap is no leap; " + PRACTICE),
    Limit("leap_stays", 5.0, "s", "shorter ones are spikes; " + PRACTICE),
    Limit("vent_still", 0.8, "K", PRACTICE),
    Limit("vent_warm", 18.0, "degC", "a steady cold vent is health; " + PRACTICE),
    Limit("still_over", 240.0, "s", PRACTICE),
)
JUDGED = ("pressure", "temperature")
COARSE = {"pressure": 2.0, "temperature": 0.2}
"""Steps [kPa, K] above which a steady value hides between two of them (common practice, no source)."""


def detect(case: Case) -> Detection:
    """Judge every pressure and temperature channel by itself and against its neighbours."""
    episodes: list[Episode] = []
    judged = [s for s in case.timeline.signals.values() if s.channel.quantity in JUDGED]
    for signal in judged:
        others = [s for s in case.timeline.signals.values() if s is not signal]
        episodes.extend(_gaps(signal, others))
        episodes.extend(_spikes(signal))
        episodes.extend(_stuck(case, signal))
        episodes.extend(_jumped(signal))
    episodes.extend(_swapped(case))
    episodes.extend(_rest_offset(case))
    if not any(e.rule == "rest_offset" for episode in episodes for e in episode.evidence):
        episodes.extend(_drifted(case))
    episodes.extend(_still_vent(case))
    episodes.extend(_left_the_air(case))
    if episodes:
        channels = ", ".join(sorted({episode.channel or "" for episode in episodes}))
        return Detection(PRESENT, f"readings that cannot be right on {channels}", tuple(episodes))
    return Detection(ABSENT, f"{len(judged)} channels without gaps, spikes or standstill of their own")


def _joined(spans: list[Span], within_s: float) -> list[tuple[float, float, int]]:
    """Spans closer than ``within_s`` joined, with how many each holds."""
    joined: list[tuple[float, float, int]] = []
    for start, end in spans:
        if joined and start - joined[-1][1] <= within_s:
            first, last, count = joined[-1]
            joined[-1] = (first, max(last, end), count + 1)
        else:
            joined.append((start, end, 1))
    return joined


def _gaps(signal: Signal, others: list[Signal]) -> list[Episode]:
    """Gaps in which another channel went on."""
    own = [
        (start, end)
        for start, end in signal.gaps
        if end - start > LIMITS["gap"].value and (not others or any(_reads(other, start, end) for other in others))
    ]
    name = signal.channel.id
    episodes: list[Episode] = []
    for start, end, count in _joined(own, LIMITS["merge_gaps"].value):
        many = f"{count} gaps" if count > 1 else "a gap"
        says = f"{many} on {name} while other channels went on"
        measures = {"gap_s": measured(end - start, signal.step_s)}
        episodes.append(Episode(KIND, start, end, 1.0, (Evidence("gap", says, measures),), channel=name))
    return episodes


def _reads(signal: Signal, start: float, end: float) -> bool:
    inside = (signal.t_s > start) & (signal.t_s < end)
    return bool(np.isfinite(signal.values[inside]).any())


def _spikes(signal: Signal) -> list[Episode]:
    name = signal.channel.id
    moments = [(float(t), float(t)) for t in signal.spikes_s]
    episodes: list[Episode] = []
    for start, end, count in _joined(moments, LIMITS["merge_spikes"].value):
        if count < LIMITS["burst"].value:
            continue
        says = f"{count} single readings on {name} that no probe and no circuit can make"
        rate = 60.0 * count / max(end - start, signal.step_s)
        measures = {"readings": Measured(count), "per_minute": measured(rate, rate / np.sqrt(count))}
        episodes.append(Episode(KIND, start, end, 0.6, (Evidence("spikes", says, measures),), channel=name))
    return episodes


def _stuck(case: Case, signal: Signal) -> list[Episode]:
    """Exactly the same reading for long, while its neighbour moves."""
    good = np.isfinite(signal.values)
    values, t = (signal.values, signal.t_s) if good.all() else (signal.values[good], signal.t_s[good])
    if len(values) < 20 or not _stands_somewhere(values, t):
        return []
    steps = np.diff(values)
    firsts, lasts = edges_of(steps == 0.0)
    coarse = _smallest_step(signal) > COARSE[signal.channel.quantity]
    # A fine channel sticks a few times at most: its longest stands say nothing of what is usual.
    stands_s = _stands_s(lasts - firsts + 1, signal.step_s, 0 if coarse else 3)
    usual = float(np.quantile(stands_s, 0.9)) if len(stands_s) else 0.0
    least = max(LIMITS["stuck_if_coarse" if coarse else "stuck"].value, LIMITS["stuck_in_usual"].value * usual)
    flickers = int(np.count_nonzero(steps)) > LIMITS["flickers"].value * len(steps)
    frozen = _frozen_s(stands_s, signal.step_s) if flickers else np.inf
    long = t[np.minimum(lasts + 1, len(t) - 1)] - t[firsts] >= least
    episodes: list[Episode] = []
    for first, last in zip(firsts[long].tolist(), lasts[long].tolist(), strict=True):
        start, end = float(t[first]), float(t[min(last + 1, len(t) - 1)])
        froze = end - start >= frozen and _pumps(case, start, end)
        froze |= _let_go(signal, values[min(last, len(values) - 2) :][:3])
        if not froze and not _neighbour_moves(case, signal, start, end):
            continue
        says = f"{signal.channel.id} stood still while its neighbours moved"
        measures = {"stood_s": measured(end - start, signal.step_s)}
        episodes.append(Episode(KIND, start, end, 1.0, (Evidence("stuck", says, measures),), channel=signal.channel.id))
    return episodes


def _let_go(signal: Signal, ends: Floats) -> bool:
    """Whether a temperature leaps where it stops standing still: what stood was not what it measures.

    ``ends`` are its last reading there and the next ones.
    """
    leap = max(LIMITS["lets_go"].value, 3.0 * _smallest_step(signal))
    quick = signal.channel.quantity == "temperature" and signal.step_s <= LIMITS["leap_within"].value
    return quick and float(np.max(np.abs(np.diff(ends)))) >= leap


def _stands_s(counts: Indices, step_s: float, without: int) -> Floats:
    """How long the reading stood each time, in order, without so many of the longest."""
    stands_s = counts.astype(np.float64) * step_s
    stands_s.sort()
    return stands_s[: len(stands_s) - without] if without < len(stands_s) else np.zeros(0)


def _frozen_s(stands_s: Floats, step_s: float) -> float:
    """For how long a channel must stand to be frozen whatever its neighbours do, by how long it else stands."""
    usual = float(np.quantile(stands_s, 0.99)) if len(stands_s) else step_s
    return max(LIMITS["frozen"].value, LIMITS["frozen_in_usual"].value * usual)


def _smallest_step(signal: Signal) -> float:
    steps = np.abs(np.diff(signal.values[np.isfinite(signal.values)]))
    return float(np.min(steps[steps > 0.0], initial=np.inf))


def _stands_somewhere(values: Floats, t: Floats) -> bool:
    """Whether any reading stays for as long as a stuck one: two looks fall into that time, and all between agree."""
    looks = np.searchsorted(t, np.arange(t[0], t[-1], LIMITS["stuck"].value / 3.0))
    alike = np.flatnonzero(values[looks[:-1]] == values[looks[1:]]).tolist()
    return any(bool((values[looks[i] : looks[i + 1]] == values[looks[i]]).all()) for i in alike)


def _neighbour_moves(case: Case, signal: Signal, start: float, end: float) -> bool:
    """Whether what this channel must follow changed meanwhile."""
    place = signal.channel.place
    if place in ("low_side", "high_side"):
        other = case.timeline.grid("high_side" if place == "low_side" else "low_side")
        return _range(case, other, start, end) > LIMITS["other_moves"].value
    gap = case.median(case.derived.vent_over_evaporating_k, start, end)
    if place == "vent" and _pumps(case, start, end) and not gap > LIMITS["coil_without"].value:
        evened = case.evened(case.derived.evaporating_degc, LIMITS["probe_evens"].value)
        coarse = _smallest_step(signal) > COARSE["temperature"]
        return _range(case, evened, start, end) > LIMITS["vent_follows_coarse" if coarse else "vent_follows"].value
    return False


def _pumps(case: Case, start: float, end: float) -> bool:
    """Whether the compressor ran over a stretch; with the blower off a vent probe stands in still air."""
    part = case.running.pumping[case.timeline.index(start) : case.timeline.index(end) + 1]
    return len(part) > 0 and float(np.mean(part)) > LIMITS["pumps"].value


def _range(case: Case, values: Floats | None, start: float, end: float) -> float:
    if values is None:
        return 0.0
    part = thinned(values[case.timeline.index(start) : case.timeline.index(end) + 1])
    part = part[np.isfinite(part)]
    return float(np.diff(np.quantile(part, [0.05, 0.95]))[0]) if len(part) else 0.0


def _still_vent(case: Case) -> list[Episode]:
    """A vent probe that does not follow: hardly a change while the evaporator went from warm to cold."""
    vent = case.timeline.signal("vent")
    if vent is None or not case.running.runs:
        return []
    start, end = max(0.0, case.running.runs[0].start_s - 5.0), case.last_stop_s()
    values = case.timeline.on_grid[vent.channel.id]
    moved = _range(case, values, start, end)
    followed = _range(case, case.derived.evaporating_degc, start, end)
    warm = case.median(values, start, end) > LIMITS["vent_warm"].value
    stood_still = warm and 0.0 < moved < LIMITS["vent_still"].value
    if end - start < LIMITS["still_over"].value or not stood_still or followed < 2.0 * LIMITS["vent_follows"].value:
        return []
    says = (
        f"vent air moved by {moved:.1f} K while the evaporator moved by {followed:.0f} K: the probe is not in the air"
    )
    measures = {"moved_k": measured(moved, vent.noise), "evaporating_moved_k": measured(followed, 0.5)}
    return [
        Episode(KIND, start, end, 0.8, (Evidence("still", says, measures),), permanent=True, channel=vent.channel.id)
    ]


def _left_the_air(case: Case) -> list[Episode]:
    """A vent probe that reads far warmer at once and for good, at like evaporating and condensing as before."""
    vent = case.evened(case.timeline.grid("vent"), 5.0)
    te, tc = (
        case.evened(values, LIMITS["probe_evens"].value)
        for values in (case.derived.evaporating_degc, case.derived.condensing_degc)
    )
    name = case.timeline.signal("vent")
    if vent is None or te is None or tc is None or name is None or not case.running.runs:
        return []
    t, last = case.timeline.t_s, case.timeline.index(case.last_stop_s())
    within = round(LIMITS["leaves_within"].value / case.timeline.step_s)
    rise = vent[within:] - vent[:-within]
    settled = case.running.pumping & (t > case.running.runs[0].start_s + LIMITS["pulls_down"].value)
    for first, _ in case.spans((rise > LIMITS["leaves"].value) & settled[:-within], 0.0, 0.0):
        at = first + int(np.argmax(rise[first : first + within]))
        if t[last] - t[at + within] < LIMITS["stays_away"].value:
            break
        step = float(rise[at])
        back = thinned(vent[at + within : last]) < float(vent[at]) + LIMITS["leaves"].value / 2.0
        stays = float(np.mean(back)) <= LIMITS["comes_back"].value
        around = ((float(t[at]) - 60.0, float(t[at])), (float(t[at + within]), float(t[at + within]) + 60.0))
        if not stays or not all(_pumps(case, *span) for span in around):
            continue
        evaporating, condensing = (case.median(x, *around[1]) - case.median(x, *around[0]) for x in (te, tc))
        like = evaporating < LIMITS["circuit_still"].value and (
            _cools_on(evaporating, condensing) or _like_before(vent, te, tc, settled, (at, at + within))
        )
        if not like and not _reads_the_cabin(case, around[0], (around[1][0], float(t[last]))):
            continue
        begun = at + int(np.argmax(vent[at : at + within] > vent[at] + 0.2 * step))
        says = (
            f"vent air rose by {step:.0f} K at once and stayed, while evaporator and condenser stood as before: the "
            "probe has left the air, or an air door was moved"
        )
        evidence = Evidence("left_the_air", says, {"rise_k": measured(step, case.u_air_k("vent"))})
        channel = name.channel.id
        return [Episode(KIND, float(t[begun]), case.timeline.duration_s, 0.6, (evidence,), channel=channel)]
    return []


def _cools_on(evaporating_k: float, condensing_k: float) -> bool:
    """Whether evaporator and condenser work as before, or a little colder, by their changes.

    A blower that stops takes the load from both and lets the condenser fall far.
    """
    return evaporating_k > -LIMITS["load_stays"].value and abs(condensing_k) < LIMITS["load_stays"].value


def _reads_the_cabin(case: Case, before: tuple[float, float], after: tuple[float, float]) -> bool:
    """Whether the vents came to read what the return air does, which a cooled evaporator between them forbids."""
    cooled, left = (case.median(case.derived.split_k, *span) for span in (before, after))
    cold = case.median(case.derived.vent_over_evaporating_k, *after) > LIMITS["evaporator_below"].value
    return cold and cooled > LIMITS["leaves"].value and abs(left) < LIMITS["split_gone"].value


def _like_before(vent: Floats, te: Floats, tc: Floats, settled: Mask, edge: tuple[int, int]) -> bool:
    """Whether the vents are warmer than they were wherever evaporating and condensing come back to what they were.

    Nothing in the circuit explains that. A blower that stops takes the load from both sides: nothing comes back.
    """
    then = np.flatnonzero(settled[: edge[0]])
    later = edge[1] + np.flatnonzero(settled[edge[1] :])
    then, later = (part[:: max(len(part) // 400, 1)] for part in (then, later))
    if not len(then) or not len(later):
        return False
    like = (np.abs(te[later][:, None] - te[then]) < LIMITS["like_evaporating"].value) & (
        np.abs(tc[later][:, None] - tc[then]) < LIMITS["like_condensing"].value
    )
    met = like.any(axis=1)
    if float(np.mean(met)) < LIMITS["like_share"].value:
        return False
    usual = (like @ vent[then])[met] / np.count_nonzero(like, axis=1)[met]
    return float(np.quantile(vent[later][met] - usual, 0.1)) > LIMITS["leaves"].value / 2.0


def _jumped(signal: Signal) -> list[Episode]:
    """A temperature that leaps within a second, stands elsewhere and leaps back: no probe's lag allows it."""
    if signal.channel.quantity != "temperature" or signal.step_s > LIMITS["leap_within"].value:
        return []
    good = np.isfinite(signal.values)
    values, t = signal.values[good], signal.t_s[good]
    count = max(round(1.0 / signal.step_s), 1)
    if len(values) <= count:
        return []
    change = np.where(t[count:] - t[:-count] <= LIMITS["leap_within"].value, values[count:] - values[:-count], 0.0)
    leaps = [
        (first + int(np.argmax(np.abs(change[first : last + 1]))), last + count)
        for first, last in spans_of(np.abs(change) > LIMITS["leap"].value)
    ]
    episodes: list[Episode] = []
    free_from = -1
    for (at, landed), (back, returned) in pairwise(leaps):
        away = change[at] * change[back] < 0.0 and at > free_from
        if not away or t[back] - t[landed] < LIMITS["leap_stays"].value:
            continue
        free_from = returned
        says = f"{signal.channel.id} leapt by {change[at]:.0f} K within a second and back later: no probe is so quick"
        evidence = Evidence("leapt", says, {"leap_k": measured(abs(float(change[at])), signal.noise)})
        start, end = float(t[at]), float(t[back + count])
        episodes.append(Episode(KIND, start, end, 1.0, (evidence,), channel=signal.channel.id))
    return episodes


def _swapped(case: Case) -> list[Episode]:
    """Sides swapped at the hoses or in the names, as the timeline found them."""
    return [
        Episode(
            KIND, flag.start_s, flag.end_s, 0.5, (Evidence(flag.kind, flag.says),), permanent=True, channel="low_side"
        )
        for flag in case.timeline.flags
        if flag.kind == "swapped_sides"
    ]


def _rest_offset(case: Case) -> list[Episode]:
    """Sides that stand apart and steady before the first start: a zero is off, or the hoses are swapped.

    The side that agrees with saturation at ambient is right; low above high is wrong whatever the ambient.
    """
    if not case.running.runs:
        return []
    first = case.running.runs[0].start_s
    low, high = case.timeline.signal("low_side"), case.timeline.signal("high_side")
    if low is None or high is None or case.running.basis == "none" or first < LIMITS["rest"].value:
        return []
    start = max(0.0, first - 4.0 * LIMITS["rest"].value)
    sides = [case.median(values, start, first - 1.0) for values in (case.derived.low_kpa, case.derived.high_kpa)]
    apart = sides[1] - sides[0]
    u95 = 2.0 * combine(low.u, high.u)
    if not abs(apart) > max(LIMITS["rest_offset"].value, 1.5 * u95) or not _steady_rest(case, start, first):
        return []
    wrong = _off_saturation(case, sides, start, first)
    if apart > 0 and wrong is None:
        return []  # a tight valve can hold a difference
    name = wrong or "low_side"
    says = f"at rest the high side reads {apart:.0f} kPa above the low side, steadily"
    why = f"{name} disagrees with saturation at ambient" if wrong else "a zero is off, or the hoses are swapped"
    evidence = (
        Evidence("rest_offset", says, {"high_minus_low_kpa": measured(apart, u95 / 2.0)}),
        Evidence("rest_offset_reading", why),
    )
    return [Episode(KIND, 0.0, case.timeline.duration_s, 0.5, evidence, permanent=True, channel=name)]


def _drifted(case: Case) -> list[Episode]:
    """Sides that agreed at rest before the first start and stand crossed at rest after a stop: one zero has drifted."""
    runs = case.running.runs
    low, high = case.timeline.signal("low_side"), case.timeline.signal("high_side")
    if not runs or low is None or high is None or case.running.basis == "none":
        return []
    u95 = 2.0 * combine(low.u, high.u)
    limit = max(LIMITS["crossed"].value, 1.5 * u95)
    starts = [*(run.start_s for run in runs[1:]), case.timeline.duration_s]
    for run, end in zip(runs, starts, strict=True):
        if end - run.end_s < LIMITS["late_rest"].value:
            continue
        # Refrigerant flows from high to low, so that sides which still converge never cross.
        sides = [case.median(values, end - 15.0, end - 1.0) for values in (case.derived.low_kpa, case.derived.high_kpa)]
        apart = sides[1] - sides[0]
        if not apart < -limit:
            continue
        name = _off_saturation(case, sides, end - 15.0, end) or "high_side"
        says = f"at rest the high side reads {-apart:.0f} kPa below the low side: refrigerant cannot do that"
        evidence = Evidence("rest_crossed", says, {"high_minus_low_kpa": measured(apart, u95 / 2.0)})
        return [Episode(KIND, runs[0].start_s, case.timeline.duration_s, 0.5, (evidence,), channel=name)]
    return []


def _steady_rest(case: Case, start: float, end: float) -> bool:
    """Neither side moves: sides that still converge stand apart rightly."""
    for values in (case.derived.low_kpa, case.derived.high_kpa):
        early = case.median(values, start, start + (end - start) / 3.0)
        late = case.median(values, end - (end - start) / 3.0, end - 1.0)
        if not abs(late - early) < LIMITS["steady"].value:
            return False
    return True


def _off_saturation(case: Case, sides: list[float], start: float, end: float) -> str | None:
    """The one side that stands away from saturation at ambient while the other is on it."""
    fluid = case.derived.refrigerant
    ambient = case.median(case.timeline.grid("ambient"), start, end)
    if fluid is None or fluid.name == "R-744" or not np.isfinite(ambient):
        return None
    off = [abs(fluid.temperature_at(side) - ambient) for side in sides]
    near = LIMITS["on_saturation"].value
    if off[1] < near < 2.0 * near < off[0] or (off[1] < near and not np.isfinite(off[0])):
        return "low_side"
    return "high_side" if off[0] < near < 2.0 * near < off[1] else None
