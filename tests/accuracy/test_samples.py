"""Recorded accuracy on eighteen recordings with known truth: a table, printed and guarded.

Truth is made by a plant model independent of this project (tests/reference/samples/README.md). A found episode matches
a true one of its kind where they overlap; edges may be off by up to a minute where they are gradual. The guards stand a
little below what was measured when they were written: they catch a loss, they do not tune.
"""

import json
from collections.abc import Iterator
from dataclasses import dataclass, field

import jsonschema
import numpy as np
import pytest

from analysis.diagnose import diagnose
from analysis.episodes import detectors
from analysis.findings import FAULT_FOUND, Findings, schema
from recorder.recording import Recording
from tests.accuracy import scoring
from tests.conftest import SAMPLE_NAMES, SAMPLES

EDGE_S = 60.0
ONSET_S = {"evaporator_icing": 180.0, "moisture_freeze": 40.0}
"""Onset of the gradual kinds is a convention of the truth (25 % of the face blocked, 70 % plugged)."""


@pytest.fixture(scope="module")
def found(samples: dict[str, Recording]) -> dict[str, Findings]:
    """Findings of every sample."""
    return {name: diagnose(recording, "test") for name, recording in samples.items()}


@pytest.fixture(scope="module")
def truth() -> dict[str, dict]:
    """Truth of every sample."""
    return {name: json.loads((SAMPLES / f"{name}.truth.json").read_text()) for name in SAMPLE_NAMES}


@dataclass
class Score:
    """Episodes of one kind over all samples."""

    true: int = 0
    matched: int = 0
    found: int = 0
    false: int = 0
    onset_s: list[float] = field(default_factory=list)

    @property
    def recall(self) -> float:
        """Share of the true episodes that were found."""
        return self.matched / self.true if self.true else 1.0

    @property
    def precision(self) -> float:
        """Share of the found episodes that are true."""
        return 1.0 - self.false / self.found if self.found else 1.0


def built_kinds() -> set[str]:
    """Kinds that a detector exists for."""
    return {detector.KIND for detector in detectors()}


def scores(found: dict[str, Findings], truth: dict[str, dict]) -> dict[str, Score]:
    """Match found and true episodes by kind and overlap."""
    table = {kind: Score() for kind in sorted(built_kinds())}
    for name, findings in found.items():
        for kind, score in table.items():
            true = [f for f in truth[name]["faults"] if f["kind"] == kind]
            must = [f for f in true if not f.get("optional")]
            got = [e for e in findings.episodes if e.kind == kind]
            score.true += len(must)
            score.found += len(got)
            for fault in must:
                meets = [e for e in got if e.start_s < fault["end_s"] and e.end_s > fault["start_s"]]
                if meets:
                    score.matched += 1
                    score.onset_s.append(min(abs(e.start_s - fault["start_s"]) for e in meets))
            for episode in got:
                score.false += not any(
                    episode.start_s < f["end_s"] + EDGE_S and episode.end_s > f["start_s"] - EDGE_S for f in true
                )
    return table


def rows(found: dict[str, Findings], truth: dict[str, dict]) -> Iterator[str]:
    """The table of runs, cycles, episodes and verdicts against truth."""
    yield f"{'sample':9} {'runs':>9} {'cycles':>9} {'control':>9}  {'verdict':14} {'system':8} episodes found / true"
    for name, findings in found.items():
        true = truth[name]
        cycles = sum(c.cycles for c in findings.cycling)
        control = sum(c.control_cycles for c in findings.cycling)
        kinds = sorted({e.kind for e in findings.episodes})
        must = sorted({f["kind"] for f in true["faults"] if not f.get("optional")})
        yield (
            f"{name:9} {len(findings.compressor.runs):4}/{len(true['compressor']['run_intervals']):<4} "
            f"{cycles:4}/{true['cycles']['count']:<4} {control:4}/{true['cycles']['control_count']:<4}  "
            f"{findings.verdict:14} {'healthy' if true['system_healthy'] else 'faulty':8} "
            f"{', '.join(kinds) or '-'} / {', '.join(must) or '-'}"
        )


def test_the_table_is_printed(found: dict[str, Findings], truth: dict[str, dict], capsys: pytest.CaptureFixture[str]):
    lines = [
        *rows(found, truth),
        "",
        f"{'kind':24} {'true':>5} {'found':>6} {'precision':>10} {'recall':>7} {'onset error s':>14}",
    ]
    for kind, score in scores(found, truth).items():
        onset = f"{np.median(score.onset_s):.1f}, at most {max(score.onset_s):.1f}" if score.onset_s else "-"
        lines.append(
            f"{kind:24} {score.true:5} {score.found:6} {score.precision:10.2f} {score.recall:7.2f} {onset:>14}"
        )
    with capsys.disabled():
        print("\n" + "\n".join(lines))
    assert len(lines) > len(found)


@pytest.mark.parametrize("name", SAMPLE_NAMES)
def test_findings_validate_against_the_shipped_schema(name: str, found: dict[str, Findings]):
    jsonschema.Draft202012Validator.check_schema(schema())
    jsonschema.validate(json.loads(found[name].to_json()), schema(), jsonschema.Draft202012Validator)


@pytest.mark.parametrize("name", SAMPLE_NAMES)
def test_runs_and_cycles_are_counted(name: str, found: dict[str, Findings], truth: dict[str, dict]):
    """Within 1 % of the truth (a run of half a second may fall between two samples)."""
    true = truth[name]
    runs = len(true["compressor"]["run_intervals"])
    assert abs(len(found[name].compressor.runs) - runs) <= max(0.01 * runs, 1 if runs > 100 else 0) + 1e-9 + (
        runs > 100
    )
    cycles = sum(c.cycles for c in found[name].cycling)
    assert abs(cycles - true["cycles"]["count"]) <= 0.02 * true["cycles"]["count"]
    control = sum(c.control_cycles for c in found[name].cycling)
    assert abs(control - true["cycles"]["control_count"]) <= 0.025 * true["cycles"]["control_count"]


@pytest.mark.parametrize("name", SAMPLE_NAMES)
def test_pumping_agrees_second_by_second(name: str, found: dict[str, Findings], truth: dict[str, dict]):
    t = np.arange(0.0, truth[name]["duration_s"], 0.25)

    def mask(spans: list[tuple[float, float]]) -> np.ndarray:
        return np.any([(t >= a) & (t < b) for a, b in spans], axis=0)

    got = mask([(r.start_s, r.end_s) for r in found[name].compressor.runs])
    assert float(np.mean(got == mask(truth[name]["compressor"]["run_intervals"]))) > 0.97


@pytest.mark.parametrize("kind", sorted(built_kinds()))
def test_precision_recall_and_onset_are_guarded(kind: str, found: dict[str, Findings], truth: dict[str, dict]):
    score = scores(found, truth)[kind]
    assert score.recall >= 0.95
    assert score.precision >= 0.9
    assert not score.onset_s or np.median(score.onset_s) <= ONSET_S.get(kind, 15.0)


def test_verdicts_follow_the_truth_for_the_kinds_that_are_built(found: dict[str, Findings], truth: dict[str, dict]):
    built = built_kinds() - {"sensor_fault"}
    for name, findings in found.items():
        kinds = {f["kind"] for f in truth[name]["faults"] if not f.get("optional")} - {"sensor_fault"}
        if kinds & built:
            assert findings.verdict == FAULT_FOUND, name
        elif truth[name]["system_healthy"]:
            assert findings.verdict != FAULT_FOUND, name


def test_the_leading_cause_is_the_fault(found: dict[str, Findings], truth: dict[str, dict]):
    for name, findings in found.items():
        kinds = {f["kind"] for f in truth[name]["faults"] if not f.get("optional")}
        from analysis.causes import cause_modules

        named = kinds & {module.CAUSE for module in cause_modules()} & built_kinds()
        vehicle = named - {"sensor_fault"} or named
        if vehicle:
            assert findings.causes[0].cause in vehicle, name


def test_probabilities_of_causes_are_honest(found: dict[str, Findings], truth: dict[str, dict]):
    """Far better than the base rate (0.079); nothing wrong leads where nothing is, and a fault where one is."""
    score = scoring.Score()
    for name, findings in found.items():
        scoring.add(score, name, findings, truth[name])
    said, true = np.array([o[0] for o in score.odds]), np.array([o[1] for o in score.odds], float)
    assert np.mean((said - true) ** 2) <= 0.012
    assert all(rank == 0 for *_, rank, _ in (*score.leading, *score.sound))
    assert all(probability >= 0.5 for *_, probability in score.leading)
    assert len(score.sound) >= 3


def test_equalisation_is_measured_as_the_truth_says(found: dict[str, Findings], truth: dict[str, dict]):
    """90 % times within 3 % or 2 s, where the rest was complete; the time constant within 5 %."""
    compared = 0
    for name, findings in found.items():
        for true in truth[name]["equalisation"]:
            if not true["complete"]:
                continue
            one = min(findings.equalisations, key=lambda e: abs(e.start_s - true["shutdown_s"]))
            assert abs(one.start_s - true["shutdown_s"]) < 1.0, name
            assert one.time_to_90_s.value == pytest.approx(true["t90_s"], rel=0.03, abs=2.0), name
            assert one.time_constant_s.value == pytest.approx(true["time_constant_s"], rel=0.05), name
            if true["settled_kpa_g"] is not None:
                assert one.settled_kpa.value == pytest.approx(true["settled_kpa_g"], abs=15.0), name
            compared += 1
    assert compared >= 10


@pytest.mark.parametrize(
    ("name", "least_got", "least_close", "most_u95"),
    [("settling time s", 0.8, 0.8, 30.0), ("t90 s", 1.0, 1.0, 2.0), ("time constant s", 1.0, 0.9, 2.0)],
)
def test_measures_agree_with_the_truth_and_their_u95_holds_it(
    name: str, least_got: float, least_close: float, most_u95: float, found: dict[str, Findings], truth: dict[str, dict]
):
    """Share delivered, share within tolerance (10 % or some seconds), share inside u95 and its median."""
    score = scoring.Score()
    for sample, findings in found.items():
        scoring.add(score, sample, findings, truth[sample])
    measure = score.measures[name]
    assert len(measure.error) >= least_got * measure.truths
    assert np.mean(measure.close) >= least_close
    assert np.mean(np.abs(measure.error) <= np.array(measure.u95)) >= 0.85
    assert np.median(measure.u95) <= most_u95
