"""Scores findings against truth: episodes, onsets, runs, cycles, settling, equalisation, u95, causes, undecided.

An episode counts when kind and over half of the time agree: the overlap is more than half of the longer of the two. Weak
truths (`observability`), optional ones, and those that are undecided for a need that is truly absent (excused) are neither
missed nor false. One set of limits: recall and false alarms come
from the same findings.

Cycles are counted while cooling stays asked for (design, section 6), whatever ended the run: the truth's restarts but for
those after a stop by the driver, which `cycles.count` of the truth holds as well. A count that the findings call a lower
bound is right where it is none above the truth.
"""

import itertools
from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from analysis.causes import BY_EXCLUSION
from analysis.findings import FAULT_FOUND, KINDS, UNDECIDED, Findings
from analysis.uncertainty import Measured

HALF = 0.5
SUDDEN = ("compressor_dropout", "high_pressure_trip", "sensor_fault", "weak_pumping", "condenser_airflow_loss")
BINS = (0.0, 0.1, 0.3, 0.5, 0.7, 0.9, 1.0001)
WEAK = "weak"
Led = tuple[str, str, str, int, float]
"""Recording, what is true, which cause led, the rank of the true one, and how sure the leading one was."""


@dataclass
class Kind:
    """Episodes of one kind over all recordings."""

    true: int = 0
    matched: int = 0
    touched: int = 0
    excused: int = 0
    found: int = 0
    false: int = 0
    onset_s: list[float] = field(default_factory=list)
    by_seen: dict[str, list[int]] = field(default_factory=lambda: defaultdict(lambda: [0, 0]))

    @property
    def recall(self) -> float:
        """Share of true episodes found."""
        return self.matched / self.true if self.true else float("nan")

    @property
    def precision(self) -> float:
        """Share of found episodes that are true."""
        return 1.0 - self.false / self.found if self.found else float("nan")

    @property
    def f1(self) -> float:
        """Harmonic mean of both."""
        right = self.found - self.false
        return 2.0 * self.matched / (self.true + self.matched + self.false) if self.true + right else float("nan")


@dataclass
class Measure:
    """One measured quantity against its truth."""

    error: list[float] = field(default_factory=list)
    u95: list[float] = field(default_factory=list)
    close: list[bool] = field(default_factory=list)
    truths: int = 0

    def add(self, got: Measured, true: float, relative: float, absolute: float) -> None:
        """Add one value; ``relative`` and ``absolute`` say what counts as close."""
        if got.value is None:
            return
        off = got.value - true
        self.error.append(off)
        self.u95.append(got.u95 if got.u95 is not None else float("nan"))
        self.close.append(abs(off) <= max(relative * abs(true), absolute))


@dataclass
class Score:
    """Everything that is scored over many recordings."""

    kinds: dict[str, Kind] = field(default_factory=lambda: {kind: Kind() for kind in KINDS})
    measures: dict[str, Measure] = field(default_factory=lambda: defaultdict(Measure))
    recordings: int = 0
    healthy_hours: float = 0.0
    alarms: list[tuple[str, str]] = field(default_factory=list)
    strays: list[tuple[str, str]] = field(default_factory=list)
    misses: list[tuple[str, str, str]] = field(default_factory=list)
    verdicts: Counter[tuple[str, str]] = field(default_factory=Counter)
    runs: list[tuple[str, int, int]] = field(default_factory=list)
    cycles: list[tuple[str, int, int]] = field(default_factory=list)
    bounds: list[tuple[str, int, int]] = field(default_factory=list)
    controls: list[tuple[str, int, int]] = field(default_factory=list)
    pumping: list[tuple[str, float]] = field(default_factory=list)
    odds: list[tuple[float, bool]] = field(default_factory=list)
    leading: list[Led] = field(default_factory=list)
    sound: list[Led] = field(default_factory=list)
    undecided: list[tuple[str, str, str, bool]] = field(default_factory=list)
    excused: list[tuple[str, str]] = field(default_factory=list)
    strong: int = 0
    failures: list[tuple[str, str]] = field(default_factory=list)


def overlap(a: tuple[float, float], b: tuple[float, float]) -> float:
    """Seconds that two intervals share."""
    return max(min(a[1], b[1]) - max(a[0], b[0]), 0.0)


def add(score: Score, name: str, findings: Findings, truth: dict[str, Any]) -> None:
    """Score one recording."""
    score.recordings += 1
    _episodes(score, name, findings, truth)
    _compressor(score, name, findings, truth)
    _equalisations(score, findings, truth)
    _settlings(score, findings, truth)
    _causes(score, name, findings, truth)
    state = "healthy" if truth["healthy"] else "sensor only" if truth["system_healthy"] else "faulty"
    score.verdicts[state, findings.verdict] += 1
    if truth["healthy"]:
        score.healthy_hours += truth["duration_s"] / 3600.0


def _span(f: dict[str, Any]) -> tuple[float, float]:
    return f["start_s"], f["end_s"]


def _episodes(score: Score, name: str, findings: Findings, truth: dict[str, Any]) -> None:
    for kind, tally in score.kinds.items():
        true = [f for f in truth["faults"] if f["kind"] == kind]
        must = [f for f in true if not f.get("optional") and f.get("observability") != WEAK]
        got = [(e.start_s, e.end_s) for e in findings.episodes if e.kind == kind]
        if not got and must and _excused(kind, truth, findings):
            tally.excused += len(must)
            score.excused.extend((kind, name) for _ in must)
            continue
        tally.true += len(must)
        pairs = sorted(
            ((overlap(_span(f), e), i, j) for i, f in enumerate(must) for j, e in enumerate(got)), reverse=True
        )
        taken_true: set[int] = set()
        taken_found: set[int] = set()
        for shared, i, j in pairs:
            a, b = _span(must[i]), got[j]
            if i in taken_true or j in taken_found or shared <= HALF * max(a[1] - a[0], b[1] - b[0]):
                continue
            taken_true.add(i)
            taken_found.add(j)
            tally.onset_s.append(b[0] - a[0])
        tally.matched += len(taken_true)
        for i, f in enumerate(must):
            tally.touched += any(overlap(_span(f), e) > 0.0 for e in got)
            seen = tally.by_seen[f.get("observability", "strong")]
            seen[0] += 1
            seen[1] += i in taken_true
            if i not in taken_true:
                near = [f"{e[0]:.0f}-{e[1]:.0f}" for e in got if overlap(_span(f), e) > 0.0]
                score.misses.append(
                    (kind, name, f"{f['start_s']:.0f}-{f['end_s']:.0f} {f.get('observability', '')} got {near}")
                )
        # A weak or optional truth may be found; the second part of a truth that was found in two is a stray.
        spared = [_span(f) for f in true if f not in must]
        for j, e in enumerate(got):
            if j in taken_found or any(overlap(s, e) > HALF * (e[1] - e[0]) for s in spared):
                tally.found += j in taken_found
                continue
            tally.found += 1
            tally.false += 1
            where = f"{e[0]:.0f}-{e[1]:.0f}"
            score.strays.append((f"{kind} {where}", name))
            if truth["healthy"]:
                score.alarms.append((f"{kind} {where}", name))


def _excused(kind: str, truth: dict[str, Any], findings: Findings) -> bool:
    """Undecided, and every need that it names is truly absent from the recording."""
    own = [check for check in findings.checks if check.kind == kind and check.state == UNDECIDED and check.missing]
    return any(all(_absent(need, truth, findings) for need in check.missing) for check in own)


def _compressor(score: Score, name: str, findings: Findings, truth: dict[str, Any]) -> None:
    runs = truth["compressor"]["run_intervals"]
    got = findings.compressor.runs
    score.runs.append((name, len(got), len(runs)))
    cycles = (name, sum(c.cycles for c in findings.cycling), cycles_while_asked(truth))
    control = (name, sum(c.control_cycles for c in findings.cycling), truth["cycles"]["control_count"])
    if any(c.lower_bound for c in findings.cycling):
        score.bounds.append(cycles)
    else:
        score.cycles.append(cycles)
        score.controls.append(control)
    t = np.arange(0.0, truth["duration_s"], 0.25)

    def mask(spans: Iterable[tuple[float, float]]) -> np.ndarray:
        edges = np.zeros(len(t) + 1)
        for a, b in spans:
            edges[np.searchsorted(t, a)] += 1
            edges[np.searchsorted(t, b)] -= 1
        return np.cumsum(edges)[:-1] > 0

    agree = float(np.mean(mask((r.start_s, r.end_s) for r in got) == mask((a, b) for a, b in runs)))
    score.pumping.append((name, agree))
    _cycling(score, findings, truth)


def cycles_while_asked(truth: dict[str, Any]) -> int:
    """Stops followed by a start while cooling stayed asked for: all but the driver's."""
    offs = [x for x in truth["compressor"]["transitions"] if x["to"] == "off"]
    again = offs[: max(len(truth["compressor"]["run_intervals"]) - 1, 0)]
    return sum(x["cause"] != "driver" for x in again)


def _cycling(score: Score, findings: Findings, truth: dict[str, Any]) -> None:
    runs = np.array(truth["compressor"]["run_intervals"]).reshape(-1, 2)
    for c in findings.cycling:
        inside = (runs[:, 0] >= c.start_s - 1.0) & (runs[:, 1] <= c.end_s + 1.0)
        own = runs[inside]
        if len(own) < 6:
            continue
        for name in ("period", "on", "off"):
            score.measures[f"cycling {name} s"].truths += 1
        gaps = own[1:, 0] - own[:-1, 1]
        score.measures["cycling period s"].add(c.period_s, float(np.median(np.diff(own[:, 0]))), 0.02, 0.5)
        whole = own[1:-1]  # the first run is a pull-down, the last is cut off: neither is a cycle's
        score.measures["cycling on s"].add(c.on_s, float(np.median(whole[:, 1] - whole[:, 0])), 0.05, 0.5)
        score.measures["cycling off s"].add(c.off_s, float(np.median(gaps)), 0.05, 0.5)


def _equalisations(score: Score, findings: Findings, truth: dict[str, Any]) -> None:
    for true in truth["equalisation"]:
        if not true["complete"]:
            continue
        near = [e for e in findings.equalisations if abs(e.start_s - true["shutdown_s"]) < 5.0]
        m = score.measures
        for key in ("t90 s", "time constant s", "settled kPa", "difference kPa"):
            m[key].truths += 1
        if not near:
            continue
        one = min(near, key=lambda e: abs(e.start_s - true["shutdown_s"]))
        m["t90 s"].add(one.time_to_90_s, true["t90_s"], 0.1, 3.0)
        m["difference kPa"].add(one.difference_kpa, true["initial_difference_kpa"], 0.05, 20.0)
        if true.get("time_constant_s") is not None:
            m["time constant s"].add(one.time_constant_s, true["time_constant_s"], 0.1, 2.0)
        if true.get("settled_kpa_g") is not None:
            m["settled kPa"].add(one.settled_kpa, true["settled_kpa_g"], 0.0, 15.0)


def _settlings(score: Score, findings: Findings, truth: dict[str, Any]) -> None:
    for window in truth["settling"]:
        for place, true in window["channels"].items():
            near = [
                s
                for s in findings.settlings
                if s.place == place and abs(s.start_s - window["start_s"]) < 6.0
                and abs(s.end_s - window["window_end_s"]) < 12.0
            ]  # fmt: skip
            unit = "kPa" if place.endswith("_side") else "K"
            if true["settling_5pct_s"] is not None and true["steady"]:
                score.measures["settling time s"].truths += 1
            if not near:
                continue
            one = near[0]
            score.measures[f"final {unit}"].truths += 1
            score.measures[f"final {unit}"].add(one.final, true["final"], 0.0, 15.0 if unit == "kPa" else 1.0)
            if true["settling_5pct_s"] is not None and true["steady"]:
                score.measures["settling time s"].add(one.settling_time_s, true["settling_5pct_s"], 0.1, 5.0)


def _causes(score: Score, name: str, findings: Findings, truth: dict[str, Any]) -> None:
    must = [f for f in truth["faults"] if not f.get("optional") and f.get("observability") != WEAK]
    spared = {f["kind"] for f in truth["faults"]} - {f["kind"] for f in must}
    kinds = {f["kind"] for f in must}
    of_circuit = {f["kind"] for f in truth["faults"]} - {"sensor_fault"}
    named = [c.cause for c in findings.causes]
    for cause in findings.causes:
        if cause.cause == BY_EXCLUSION:
            # A fault too weak to show leaves it open whether that is nothing.
            if not of_circuit or of_circuit & kinds:
                score.odds.append((cause.probability, not of_circuit))
        elif cause.cause not in spared:
            score.odds.append((cause.probability, cause.cause in kinds))
    root = kinds - {"high_pressure_trip"} or kinds
    vehicle = root - {"sensor_fault"} or root
    if vehicle & set(named):
        rank = min(named.index(k) for k in vehicle if k in named)
        score.leading.append((name, "+".join(sorted(vehicle)), named[0], rank, findings.causes[0].probability))
    elif not of_circuit and named:
        rank = named.index(BY_EXCLUSION)
        score.sound.append((name, BY_EXCLUSION, named[0], rank, findings.causes[0].probability))
    strong = {f["kind"] for f in must if f.get("observability", "strong") == "strong"}
    score.strong += len(strong)
    for check in findings.checks:
        if check.kind in strong and check.state == UNDECIDED:
            absent = _excused(check.kind, truth, findings)
            score.undecided.append((check.kind, name, f"{check.why} missing {check.missing}", absent))


def _absent(need: str, truth: dict[str, Any], findings: Findings) -> bool:
    if need in ("metering", "compressor", "refrigerant", "rated_charge_kg", "recovered_kg", "charged_kg"):
        return findings.job_sheet.get(need) is None
    return need not in truth["channels"]


def lines_of(score: Score) -> Iterator[str]:
    """The table."""
    yield f"{score.recordings} recordings, {score.healthy_hours:.1f} h healthy, {len(score.failures)} that the analysis failed on"
    for name, text in score.failures:
        yield f"failed on {name}: {text}"
    yield f"{'kind':24}{'true':>5}{'found':>6}{'prec':>6}{'recall':>7}{'F1':>6}{'touched':>8}{'excused':>8}{'onset med':>10}{'p90':>7}   by observability"
    total = Kind()
    for kind, k in score.kinds.items():
        onset = np.abs(k.onset_s)
        med, p90 = (np.median(onset), np.percentile(onset, 90)) if len(onset) else (np.nan, np.nan)
        seen = ", ".join(f"{s} {v[1]}/{v[0]}" for s, v in sorted(k.by_seen.items(), reverse=True))
        yield f"{kind:24}{k.true:5}{k.found:6}{k.precision:6.2f}{k.recall:7.2f}{k.f1:6.2f}{k.touched:8}{k.excused:8}{med:10.1f}{p90:7.1f}   {seen}"
        for name in ("true", "matched", "found", "false", "touched", "excused"):
            setattr(total, name, getattr(total, name) + getattr(k, name))
    yield f"{'all':24}{total.true:5}{total.found:6}{total.precision:6.2f}{total.recall:7.2f}{total.f1:6.2f}{total.touched:8}{total.excused:8}"
    alarms = len(score.alarms)
    rate = 100.0 * alarms / score.healthy_hours if score.healthy_hours else float("nan")
    yield f"false alarms on healthy recordings: {alarms}, {rate:.1f} per 100 h: {score.alarms[:20]}"
    yield f"verdicts: {dict(sorted(score.verdicts.items()))}"
    for label, rows in (("runs", score.runs), ("cycles", score.cycles), ("control cycles", score.controls)):
        wrong = [(n, g, t) for n, g, t in rows if abs(g - t) > max(0.02 * t, 0.5)]
        yield f"{label}: {sum(g for _, g, _ in rows)} of {sum(t for *_, t in rows)}; within 2 %: {1 - len(wrong) / max(len(rows), 1):.2f}; wrong: {wrong[:14]}"
    held = [(n, g, t) for n, g, t in score.bounds if g <= t]
    yield f"cycles told as a lower bound: {len(held)} of {len(score.bounds)} hold: {score.bounds[:14]}"
    agree = [a for _, a in score.pumping]
    yield f"pumping agrees: mean {np.mean(agree):.3f}, least {sorted((round(a, 3), n) for n, a in score.pumping)[:8]}"
    yield f"{'measure':20}{'truths':>7}{'got':>6}{'close':>7}{'|err| med':>11}{'u95 med':>9}{'inside':>8}"
    for name, m in sorted(score.measures.items()):
        error, u95 = np.abs(m.error), np.array(m.u95)
        if not len(error):
            continue
        inside = np.mean(error <= u95)
        yield f"{name:20}{m.truths:7}{len(error):6}{np.mean(m.close):7.2f}{np.median(error):11.3g}{np.nanmedian(u95):9.3g}{inside:8.2f}"
    yield from _odds_lines(score)


def _odds_lines(score: Score) -> Iterator[str]:
    p, y = np.array([o[0] for o in score.odds]), np.array([o[1] for o in score.odds], float)
    yield f"causes: Brier {np.mean((p - y) ** 2):.4f} (always the base rate: {np.mean((y.mean() - y) ** 2):.4f})"
    yield from _reliability(p, y)
    for what, rows in (("where something is wrong", score.leading), ("where nothing is", score.sound)):
        if rows:
            ranks = np.array([row[3] for row in rows])
            said = np.array([row[4] for row in rows])
            yield (
                f"leading cause right {what}: {np.mean(ranks == 0):.3f}, in first three {np.mean(ranks < 3):.3f}, "
                f"of {len(ranks)}; said {said.mean():.3f}"
            )
            wrong = Counter((row[1], row[2]) for row in rows if row[3] > 0)
            yield f"  wrong (true, said): {wrong.most_common(12)}"
    led = [*score.leading, *score.sound]
    said, right = np.array([row[4] for row in led]), np.array([row[3] == 0 for row in led], float)
    if led:
        yield f"leading cause over all: right {right.mean():.3f}, said {said.mean():.3f}, Brier {np.mean((said - right) ** 2):.3f}"
        yield from _reliability(said, right)
    right = sum(a for *_, a in score.undecided)
    yield (
        f"undecided on strong: {len(score.undecided)} of {score.strong} kinds "
        f"({len(score.undecided) / max(score.strong, 1):.3f}), with the need truly absent {right}"
    )


def _reliability(said: np.ndarray, true: np.ndarray) -> Iterator[str]:
    """How often what was said with a probability was true."""
    for a, b in itertools.pairwise(BINS):
        part = (said >= a) & (said < b)
        if part.any():
            yield f"  said {a:.1f}-{min(b, 1):.1f}: {part.sum():5} times, mean {said[part].mean():.3f}, true {true[part].mean():.3f}"


def is_alarm(findings: Findings, truth: dict[str, Any]) -> bool:
    """A healthy system that was called faulty."""
    return bool(truth["system_healthy"]) and findings.verdict == FAULT_FOUND
