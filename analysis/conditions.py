"""Under what conditions a moment was recorded, and which moments of two recordings are alike.

Conditions are cut into cells: road speed, engine speed, time since the first start, and outside air in bands. The edges
of those bands are laid where most time of the two recordings falls together; that choice knows nothing of what is then
compared. Humidity, sun and load are not recorded and cannot be matched.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.case import Case
from analysis.limits import PRACTICE, Limit, limit_table
from analysis.operating import Mask, held
from analysis.timeline import Floats

LIMITS = limit_table(
    Limit("standing_under", 10.0, "km/h", PRACTICE),
    Limit("road_from", 60.0, "km/h", PRACTICE),
    Limit("idle_under", 1100.0, "1/min", PRACTICE),
    Limit("fast_from", 2000.0, "1/min", PRACTICE),
    Limit("pull_down", 300.0, "s", "vent air settles in 5-10 min; " + PRACTICE),
    Limit("warmed_through", 900.0, "s", "the cabin in 15-30 min; " + PRACTICE),
    Limit("idle_speed", 1.25, "share of the slowest idle", PRACTICE),
    Limit("outside_block", 60.0, "s", PRACTICE),
    Limit("outside_reach", 600.0, "s", "a standing vehicle breathes its own heat for minutes; " + PRACTICE),
    Limit("ambient_band", 4.0, "K", PRACTICE),
    Limit("ambient_offset", 0.5, "K", "steps in which band edges are tried"),
)
MOTION = ("standing", "in town", "on the road")
ENGINE = ("idling", "at middle engine speed", "at high engine speed")
AGE = ("in the first 5 min", "5 to 15 min after the start", "later than 15 min after the start")
UNKNOWN = -1
Codes = NDArray[np.int_]


def asked_for(case: Case) -> Mask:
    """Where cooling was asked for, the engine ran and something was recorded."""
    return case.operating.asked & case.operating.engine_running & case.timeline.recorded()


def since_first_start(case: Case) -> Floats:
    """Seconds since the compressor's first start on the grid; negative before it."""
    started = case.running.runs[0].start_s if case.running.runs else 0.0
    return case.timeline.t_s - started


def standing_of(case: Case) -> Mask | None:
    """Where the vehicle stood; without a road speed, where the engine idled; None where neither is known."""
    if case.operating.moving is not None:
        return ~case.operating.moving
    speed, turning = case.operating.engine_speed, asked_for(case)
    if speed is None or not np.isfinite(speed[turning]).any():
        return None
    idle = float(np.nanquantile(speed[turning], 0.05))
    return speed <= LIMITS["idle_speed"].value * idle


def outside_air(case: Case) -> Floats | None:
    """Outside air [degC] on the grid: the coolest minute of ambient within 10 min; None where it was not recorded.

    The probe sits in the condenser's inlet air, which a standing vehicle heats, the more so the less its fan moves:
    taken as it reads, the fault itself would make its own conditions.
    """
    ambient = case.timeline.grid("ambient")
    if ambient is None:
        return None
    block = max(round(LIMITS["outside_block"].value / case.timeline.step_s), 1)
    even = held(ambient)
    padded = np.pad(even, (0, -len(even) % block), mode="edge")
    minutes = np.median(padded.reshape(-1, block), axis=1)
    reach = round(LIMITS["outside_reach"].value / LIMITS["outside_block"].value)
    wide = np.lib.stride_tricks.sliding_window_view(np.pad(minutes, reach, mode="edge"), 2 * reach + 1)
    return np.repeat(wide.min(axis=1), block)[: len(ambient)]


@dataclass(frozen=True, slots=True)
class Cell:
    """Conditions that count as alike; None where a factor was not recorded in both recordings."""

    motion: int | None
    engine: int | None
    age: int
    ambient_from_degc: float | None

    def says(self) -> str:
        """The conditions in words."""
        words = [] if self.motion is None else [MOTION[self.motion]]
        words += [] if self.engine is None else [ENGINE[self.engine]]
        words.append(AGE[self.age])
        if self.ambient_from_degc is not None:
            upper = self.ambient_from_degc + LIMITS["ambient_band"].value
            words.append(f"{self.ambient_from_degc:g} to {upper:g} degC outside")
        return ", ".join(words)


@dataclass(frozen=True, slots=True, eq=False)
class Matching:
    """Two recordings cut into the same cells.

    ``before`` and ``after`` give each grid point's index into ``cells``, or -1 where cooling was not asked for or a
    condition is not known. ``not_matched`` says which factors could not be matched, and why.
    """

    cells: tuple[Cell, ...]
    before: Codes
    after: Codes
    not_matched: tuple[str, ...]


def matching_of(before: Case, after: Case) -> Matching:
    """Cut both recordings into cells of like conditions."""
    sides = (_Side.of(before), _Side.of(after))
    reasons: list[str] = []
    for name, words in (("motion", "road speed"), ("engine", "engine speed"), ("ambient", "ambient")):
        missing = [when for when, side in zip(("before", "after"), sides, strict=True) if getattr(side, name) is None]
        if missing:
            reasons.append(f"{words} was not recorded {' and '.join(missing)}: the stretches may differ in it")
            sides = tuple(side.without(name) for side in sides)
    one, other = sides
    offset = _best_offset(one, other)
    raw = [side.cells(offset) for side in sides]
    cells = sorted({cell for codes, _ in raw for cell in codes}, key=_order)
    index = {cell: number for number, cell in enumerate(cells)}
    laid = [np.array([*(index[cell] for cell in codes), UNKNOWN])[where] for codes, where in raw]
    return Matching(tuple(cells), laid[0], laid[1], tuple(reasons))


def _order(cell: Cell) -> tuple[float, ...]:
    """Sorting key: a factor that is not known comes first."""
    return tuple(-1e9 if v is None else v for v in (cell.motion, cell.engine, cell.age, cell.ambient_from_degc))


@dataclass(frozen=True, slots=True, eq=False)
class _Side:
    """One recording's conditions on its grid; a factor that was not recorded is None."""

    counted: Mask
    step_s: float
    motion: Codes | None
    engine: Codes | None
    age: Codes
    ambient: Floats | None

    @classmethod
    def of(cls, case: Case) -> "_Side":
        speed, rotation = (case.timeline.grid(place) for place in ("vehicle_speed", "engine_speed"))
        since = since_first_start(case)
        return cls(
            asked_for(case) & (since >= 0.0),
            case.timeline.step_s,
            None if speed is None else _band(held(speed), "standing_under", "road_from"),
            None if rotation is None else _band(held(rotation), "idle_under", "fast_from"),
            _band(since, "pull_down", "warmed_through"),
            outside_air(case),
        )

    def without(self, name: str) -> "_Side":
        """The side with a factor left out."""
        left = {"motion": self.motion, "engine": self.engine, "ambient": self.ambient, name: None}
        return _Side(self.counted, self.step_s, left["motion"], left["engine"], self.age, left["ambient"])  # type: ignore[arg-type]

    def codes(self, offset_k: float) -> Codes:
        """One number a grid point for its cell; -1 where it does not count."""
        code = self.age.copy()
        for factor in (self.motion, self.engine):
            code = 3 * code + (0 if factor is None else factor)
        if self.ambient is not None:
            band = np.floor((self.ambient - offset_k) / LIMITS["ambient_band"].value).astype(np.int_) + 100
            code = 1000 * code + np.clip(band, 0, 999)
        return np.where(self.counted, code, UNKNOWN)

    def cells(self, offset_k: float) -> tuple[list[Cell], Codes]:
        """The cells that occur, and each grid point's index into them (past the last one where it does not count)."""
        found, where = np.unique(self.codes(offset_k), return_inverse=True)
        cells: list[Cell] = []
        for code in found[found != UNKNOWN].tolist():
            state, band = divmod(code, 1000) if self.ambient is not None else (code, 0)
            state, engine = divmod(state, 3)
            age, motion = divmod(state, 3)
            from_degc = (band - 100) * LIMITS["ambient_band"].value + offset_k
            cells.append(
                Cell(
                    None if self.motion is None else motion,
                    None if self.engine is None else engine,
                    age,
                    None if self.ambient is None else from_degc,
                )
            )
        skipped = int(len(found) and found[0] == UNKNOWN)
        return cells, np.where(where < skipped, len(cells), where - skipped)


def _band(values: Floats, low: str, high: str) -> Codes:
    """0, 1 or 2: under the first limit, between them, from the second on."""
    return np.digitize(values, [LIMITS[low].value, LIMITS[high].value])


def _best_offset(one: _Side, other: _Side) -> float:
    """Where band edges let most seconds of both recordings fall into shared cells."""
    if one.ambient is None or other.ambient is None:
        return 0.0
    step = LIMITS["ambient_offset"].value
    offsets = np.arange(0.0, LIMITS["ambient_band"].value, step).tolist()
    return max(offsets, key=lambda offset: (_shared_s(one, other, offset), -offset))


def _shared_s(one: _Side, other: _Side, offset: float) -> float:
    seconds: list[dict[int, float]] = []
    for side in (one, other):
        codes, counts = np.unique(side.codes(offset), return_counts=True)
        seconds.append(dict(zip(codes.tolist(), (counts * side.step_s).tolist(), strict=True)))
    return sum(min(s, seconds[1].get(code, 0.0)) for code, s in seconds[0].items() if code != UNKNOWN)
