"""Seeded random cars that nothing was tuned to: no false alarm on health, episodes found where they were.

``python -m tests.accuracy.test_fleet 16`` prints the same table over sixteen cars a fault. All invented
(`tests/plant/fleet.py`); this plant model is ours, so what it shows is robustness, not truth about cars.
"""

import sys
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass

import pytest

from analysis.diagnose import diagnose
from tests.plant.fleet import FAULTS, car

KIND = {"compressor_slip": "compressor_dropout", "sensor_gap": "sensor_fault", "sensor_spikes": "sensor_fault"}
FOLLOWS = {"condenser_airflow_loss": {"high_pressure_trip"}}
SEEDS = (1, 2)


@dataclass(frozen=True)
class Result:
    """What one car showed."""

    fault: str
    true: int
    hit: int
    other: tuple[str, ...]
    hours: float
    verdict: str


def judge(fault: str, seed: int) -> Result:
    """Make a car, analyse it, match its episodes with its truth."""
    made = car(seed, fault)
    findings = diagnose(made.recording, "test")
    kind = KIND.get(fault, fault)
    windows = made.windows or ([(0.0, 1e9)] if fault != "healthy" else [])
    own = [e for e in findings.episodes if e.kind == kind]
    hit = sum(any(e.start_s < b and e.end_s > a for e in own) for a, b in windows)
    allowed = FOLLOWS.get(kind, set())
    stray = [e for e in own if not any(e.start_s < b + 30.0 and e.end_s > a - 30.0 for a, b in windows)]
    others = [e for e in findings.episodes if e.kind != kind and e.kind not in allowed]
    hours = findings.recording.duration_s / 3600.0
    return Result(fault, len(windows), hit, tuple(e.kind for e in [*others, *stray]), hours, findings.verdict)


def table(results: list[Result]) -> list[str]:
    """One line a fault."""
    lines = [
        f"{'fault':24} {'cars':>4} {'hours':>6} {'true':>5} {'found':>6} {'recall':>7} {'other kinds or stray':>21}"
    ]
    for fault in FAULTS:
        own = [r for r in results if r.fault == fault]
        true, hit = sum(r.true for r in own), sum(r.hit for r in own)
        recall = f"{hit / true:.2f}" if true else "-"
        hours, strays = sum(r.hours for r in own), sum(len(r.other) for r in own)
        lines.append(f"{fault:24} {len(own):4} {hours:6.1f} {true:5} {hit:6} {recall:>7} {strays:21}")
    return lines


@pytest.fixture(scope="module")
def results() -> list[Result]:
    """A small fleet."""
    return [judge(fault, seed) for fault in FAULTS for seed in SEEDS]


def test_the_fleets_table_is_printed_and_guarded(results: list[Result], capsys: pytest.CaptureFixture[str]):
    with capsys.disabled():
        print("\n" + "\n".join(table(results)))
    assert sum(r.hit for r in results) >= 0.92 * sum(r.true for r in results)


def test_a_healthy_car_raises_nothing(results: list[Result]):
    healthy = [r for r in results if r.fault == "healthy"]
    assert [r.other for r in healthy] == [()] * len(healthy)
    assert all(r.verdict != "fault_found" for r in healthy)


def test_one_fault_is_not_taken_for_another(results: list[Result]):
    assert sum(len(r.other) for r in results) <= 1


def main(seeds: int) -> None:
    """Print the table over more cars, on both cores."""
    with ProcessPoolExecutor(2) as pool:
        jobs = [(fault, seed) for fault in FAULTS for seed in range(seeds)]
        results = list(pool.map(judge, *zip(*jobs, strict=True)))
    print("\n".join(table(results)))


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 8)
