"""One file a kind of fault.

Each states ``KIND``, ``NEEDS`` (places, ``refrigerant``, ``runs``), ``LIMITS`` and ``detect(case)``. A missing need
gives "undecided", never "absent": what was not measured is not called good.
"""

import importlib
import pkgutil
from collections.abc import Iterator
from dataclasses import dataclass
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
        found = detector.detect(case)
        episodes.extend(found.episodes)
        checks.append(Check(kind, found.state, found.why, found.missing, found.suspected, found.evidence))
    return tuple(sorted(episodes, key=lambda episode: (episode.start_s, episode.kind))), tuple(checks)
