"""One file a kind of fault.

Each states ``KIND``, ``NEEDS`` (places, ``refrigerant``, ``runs``), ``LIMITS`` and ``detect(case)``. A missing need
gives "undecided", never "absent": what was not measured is not called good.
"""

import importlib
import pkgutil
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Protocol, cast

from analysis.case import Case
from analysis.findings import KINDS, UNDECIDED, Check, Episode, Evidence
from analysis.limits import Limit


@dataclass(frozen=True, slots=True)
class Detection:
    """What a detector says: present, absent or undecided, why, and the episodes.

    ``evidence`` holds the numbers behind ``why``, where it has some.
    """

    state: str
    why: str
    episodes: tuple[Episode, ...] = ()
    missing: tuple[str, ...] = ()
    suspected: bool = False
    evidence: tuple[Evidence, ...] = ()


class Detector(Protocol):
    """What each module of this folder provides."""

    KIND: str
    NEEDS: tuple[str, ...]
    LIMITS: dict[str, Limit]

    def detect(self, case: Case) -> Detection:
        """Judge a case that has all needs."""
        ...


def detectors() -> Iterator[Detector]:
    """Every detector of this folder."""
    for info in sorted(pkgutil.iter_modules(__path__), key=lambda info: info.name):
        yield cast("Detector", importlib.import_module(f"{__name__}.{info.name}"))


def examine(case: Case) -> tuple[tuple[Episode, ...], tuple[Check, ...]]:
    """Run every detector; a kind that no detector knows is undecided and says so.

    Raises ValueError, a fault of ours, where two detectors look for one kind.
    """
    known: dict[str, Detector] = {}
    for detector in detectors():
        if detector.KIND in known:
            raise ValueError(f"two detectors look for {detector.KIND}")
        known[detector.KIND] = detector
    episodes: list[Episode] = []
    checks: list[Check] = []
    readings = known["sensor_fault"].detect(case) if "sensor_fault" in known else Detection(UNDECIDED, "not examined")
    faulty = _faulty_stretches(case, readings)
    for kind in KINDS:
        detector = known.get(kind)
        if detector is None:
            checks.append(Check(kind, UNDECIDED, "not examined by this version"))
            continue
        missing = tuple(need for need in detector.NEEDS if case.lacks(need))
        if missing:
            why = "missing: " + ", ".join(need.replace("_", " ") for need in missing)
            checks.append(Check(kind, UNDECIDED, why, missing))
            continue
        found = readings if kind == "sensor_fault" else _without_faulty(detector.detect(case), faulty)
        episodes.extend(found.episodes)
        checks.append(Check(kind, found.state, found.why, found.missing, found.suspected, found.evidence))
    return tuple(sorted(episodes, key=lambda episode: (episode.start_s, episode.kind))), tuple(checks)


def _faulty_stretches(case: Case, readings: Detection) -> list[tuple[float, float]]:
    """Where a pressure reads what cannot be right for a while: nothing that comes and goes is judged by it there."""
    pressures = {place: case.timeline.signal(place) for place in ("low_side", "high_side")}
    channels = {signal.channel.id for signal in pressures.values() if signal is not None}
    return [(e.start_s, e.end_s) for e in readings.episodes if e.channel in channels and not e.permanent]


def _without_faulty(found: Detection, faulty: list[tuple[float, float]]) -> Detection:
    """A detection without the episodes that lie for their greater part where a pressure is at fault."""

    def shared(episode: Episode) -> float:
        return sum(max(min(episode.end_s, b) - max(episode.start_s, a), 0.0) for a, b in faulty)

    kept = tuple(
        e for e in found.episodes
        if e.permanent or shared(e) <= 0.5 * (e.end_s - e.start_s)
    )  # fmt: skip
    if len(kept) == len(found.episodes):
        return found
    if kept:
        return replace(found, episodes=kept)
    return Detection(UNDECIDED, "seen only where a pressure reading is at fault")
