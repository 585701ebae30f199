"""The findings document: what an analysis hands to summary, claim sheet, comparison and page.

Its JSON Schema is shipped as ``data/findings.schema.json``. Seconds count from the recording's first sample; a number
that could not be had is null with its reason.
"""

import json
import math
from dataclasses import dataclass, field, fields, is_dataclass
from pathlib import Path
from typing import Any, cast

from analysis.glimpse import Glimpsed
from analysis.uncertainty import Measured

SCHEMA_VERSION = 1
SCHEMA_FILE = Path(__file__).parent / "data" / "findings.schema.json"
KINDS = (
    "compressor_dropout",
    "high_pressure_trip",
    "undercharge",
    "condenser_airflow_loss",
    "moisture_freeze",
    "restriction",
    "evaporator_icing",
    "valve_hunting",
    "weak_pumping",
    "overcharge",
    "non_condensables",
    "sensor_fault",
)
FAULT_FOUND, NO_FAULT_SEEN, CANNOT_TELL = "fault_found", "no_fault_seen", "cannot_tell"
PRESENT, ABSENT, UNDECIDED = "present", "absent", "undecided"
PROVEN, LIKELY, NOT_EXCLUDED, EXCLUDED = "proven", "likely", "not excluded", "excluded"


@dataclass(frozen=True, slots=True, repr=False)
class Run(Glimpsed):
    """An interval in which the compressor pumps."""

    start_s: float
    end_s: float


@dataclass(frozen=True, slots=True, repr=False)
class Stop(Glimpsed):
    """The end of a run, why it came, and how that is known.

    ``why`` is ``engine_off``, ``driver``, ``control``, ``high_pressure_trip``, ``full_throttle_cut``, ``dropout``,
    ``not_recorded`` or ``unknown``; ``cooling_stopped`` says whether it was commanded, electrical, mechanical or not
    decidable.
    """

    at_s: float
    restart_s: float | None
    why: str
    cooling_stopped: str
    says: str


@dataclass(frozen=True, slots=True, repr=False)
class Compressor(Glimpsed):
    """Runs and stops; ``basis`` says what they were read from."""

    basis: str
    runs: tuple[Run, ...]
    stops: tuple[Stop, ...]


@dataclass(frozen=True, slots=True, repr=False)
class Cycling(Glimpsed):
    """Cycling over a stretch in which cooling stays asked for; medians with their u95, spreads beside them.

    A spread is the standard deviation estimated from the interquartile range. Pressures are gauge. ``lower_bound``: the
    sampling is too slow for these cycles, some may have fallen between samples.
    """

    start_s: float
    end_s: float
    cycles: int
    control_cycles: int
    period_s: Measured
    on_s: Measured
    off_s: Measured
    duty: Measured
    cut_out_kpa: Measured
    cut_in_kpa: Measured
    per_minute: Measured
    period_spread_s: float | None
    on_spread_s: float | None
    off_spread_s: float | None
    lower_bound: bool


@dataclass(frozen=True, slots=True, repr=False)
class Equalisation(Glimpsed):
    """How the two sides met after a stop, and what ran meanwhile; ``settled_kpa`` is gauge.

    ``fit_r2`` and ``fit_misfit`` (rms residual as a share of d(0)) say how far the time constant holds; so do the
    constants over the first and the second half of the fall (90 to 50 %, 50 to 10 %).
    """

    start_s: float
    end_s: float
    stopped_by: str
    difference_kpa: Measured
    time_to_50_kpa_s: Measured
    time_to_90_s: Measured
    time_constant_s: Measured
    fit_r2: float | None
    fit_misfit: float | None
    early_constant_s: Measured
    late_constant_s: Measured
    settled_kpa: Measured
    saturation_gap_kpa: Measured
    engine_running: bool | None
    fan_running: bool | None


@dataclass(frozen=True, slots=True, repr=False)
class Static(Glimpsed):
    """Both sides at rest with the soak shown; ``static_kpa`` is gauge."""

    start_s: float
    end_s: float
    static_kpa: Measured
    soak_degc: Measured
    saturation_gap_kpa: Measured


@dataclass(frozen=True, slots=True, repr=False)
class VacuumHold(Glimpsed):
    """The rise after an evacuation on one channel, pascals absolute.

    ``reading`` is ``tight``, ``leak``, ``moisture``, ``outgassing`` or ``cannot_tell``; ``water_pa`` is the vapour
    pressure of water at the temperature around.
    """

    start_s: float
    end_s: float
    channel: str
    reading: str
    says: str
    start_pa: Measured
    end_pa: Measured
    early_pa_per_minute: Measured
    late_pa_per_minute: Measured
    plateau_pa: Measured
    water_pa: Measured


@dataclass(frozen=True, slots=True, repr=False)
class Settling(Glimpsed):
    """How one channel settled after a start, a change of operating point or a mark; pressures gauge.

    ``delay_s`` is when it left its level; ``fit_misfit`` the rms residual of one exponential as a share of the change;
    ``slow_constant_s`` the longer of two time constants where one does not do.
    """

    start_s: float
    end_s: float
    after: str
    place: str
    settled: bool
    final: Measured
    settling_time_s: Measured
    overshoot: Measured
    drift_per_minute: Measured
    delay_s: Measured
    time_constant_s: Measured
    slow_constant_s: Measured
    fit_misfit: float | None
    ringing_period_s: Measured


@dataclass(frozen=True, slots=True, repr=False)
class Evidence(Glimpsed):
    """One reason, by the rule that made it: words in SI units and the numbers behind them."""

    rule: str
    says: str
    measures: dict[str, Measured] = field(default_factory=dict[str, Measured])


@dataclass(frozen=True, slots=True, repr=False)
class Episode(Glimpsed):
    """An interval in which something is wrong; ``severity`` runs from 0 to 1."""

    kind: str
    start_s: float
    end_s: float
    severity: float
    evidence: tuple[Evidence, ...]
    permanent: bool = False
    channel: str | None = None


@dataclass(frozen=True, slots=True, repr=False)
class Check(Glimpsed):
    """Whether a kind was found: present, absent or undecided, and what was missing.

    ``suspected``: undecided although something was seen that this kind would explain. ``evidence`` holds the numbers
    behind ``why``; its words joined by "; " are ``why``.
    """

    kind: str
    state: str
    why: str
    missing: tuple[str, ...] = ()
    suspected: bool = False
    evidence: tuple[Evidence, ...] = ()


@dataclass(frozen=True, slots=True, repr=False)
class Weighed(Glimpsed):
    """A fact that spoke for or against a cause, and the numbers behind it.

    ``llr`` is its weight, a log likelihood ratio: above 0 it speaks for the cause, at 0 it leaves it open.
    ``evidence`` is empty where the fact is words alone; a second one is the longest of several. ``proves``: the fact
    leaves no other reading.
    """

    fact: str
    llr: float
    says: str
    reason: str
    evidence: tuple[Evidence, ...] = ()
    proves: bool = False


@dataclass(frozen=True, slots=True, repr=False)
class Cause(Glimpsed):
    """What would explain the episodes; ``weighed`` holds the reasons with their numbers, in the same order.

    ``left_open`` says why a cause is not excluded although nothing speaks for it, ``apart`` what would tell it from its
    nearest rival; each is empty where there is nothing to say. ``cost`` orders the next checks: 1 a look or a sensor
    clipped on, 2 a meter in hand, 3 the charging machine, 4 an open circuit.
    """

    cause: str
    probability: float
    standing: str
    reasons_for: tuple[str, ...]
    reasons_against: tuple[str, ...]
    left_open: str
    parts: tuple[str, ...]
    telling_test: str
    next_check: str
    weighed: tuple[Weighed, ...] = ()
    apart: str = ""
    cost: int = 4


@dataclass(frozen=True, slots=True, repr=False)
class Rate(Glimpsed):
    """Spells that began in an exposure to good time, and their rate an hour with exact 95 % limits (Garwood 1936)."""

    count: int
    exposure_s: float
    per_hour: float | None
    low: float | None
    high: float | None


@dataclass(frozen=True, slots=True, repr=False)
class Circumstance(Glimpsed):
    """Spells that began under a condition and outside it, and how likely so uneven a split is by chance.

    ``p`` is of the exact conditional test, ``p_adjusted`` allows for how many conditions were looked at (Holm 1979);
    a condition that the job sheet states (``stated``) was not searched for and is judged apart from the others.
    """

    factor: str
    under: str
    starts_under: int
    starts_outside: int
    under_s: float
    outside_s: float
    p: float
    p_adjusted: float
    stated: bool
    says: str


@dataclass(frozen=True, slots=True, repr=False)
class Coverage(Glimpsed):
    """What a short look would have missed; intervals are 95 %.

    ``counted_under`` says which exposure counts, ``not_checked`` which stated condition no channel could show.
    ``enough_s`` is how much more of it without a fault makes its absence mean something, as ``enough_says`` tells.
    """

    fault_share: float | None
    exposure_s: float
    counted_under: str
    not_checked: tuple[str, ...]
    rate: Rate
    missed_by_look: dict[str, float | None]
    missed_interval: dict[str, tuple[float, float] | None]
    rate_bound_per_hour: float | None
    circumstances: tuple[Circumstance, ...]
    enough_s: float | None
    enough_says: str
    says: str


@dataclass(frozen=True, slots=True, repr=False)
class Sensor(Glimpsed):
    """A channel and how far it can be trusted."""

    id: str
    place: str
    unit: str
    rate_hz: float
    missing: float
    reference: str | None
    u95: float
    accuracy_stated: bool
    noise: float
    calibrated_on: str | None
    serial_number: str | None


@dataclass(frozen=True, slots=True, repr=False)
class Expected(Glimpsed):
    """A measured quantity beside what is expected of it."""

    quantity: str
    unit: str
    measured: Measured
    low: float | None
    high: float | None
    state: str
    source: str


@dataclass(frozen=True, slots=True, repr=False)
class LimitUsed(Glimpsed):
    """A threshold that a judgement hung on."""

    module: str
    name: str
    value: float
    unit: str
    source: str


@dataclass(frozen=True, slots=True, repr=False)
class About(Glimpsed):
    """The recording that was analysed.

    ``corrections`` says in a sentence each what was corrected after sealing, by whom and why; ``corrections_digest`` is
    that of the last one. ``job_sheet_sealed`` is false where the job sheet was handed in for this reading alone.
    """

    id: str
    name: str
    started_at: str | None
    duration_s: float
    sealed: bool
    intact: bool
    damage: tuple[str, ...]
    digest: str | None
    origin: str | None
    software: str
    refrigerant: str | None
    barometric_kpa: Measured
    corrections: tuple[str, ...] = ()
    corrections_digest: str | None = None
    job_sheet_sealed: bool = True


@dataclass(frozen=True, slots=True, repr=False)
class Note(Glimpsed):
    """A mark of the technician, or a flag about the record itself."""

    time_s: float
    kind: str
    text: str


@dataclass(frozen=True, slots=True, repr=False)
class Findings(Glimpsed):
    """Everything the analysis found; ``to_dict`` gives the document."""

    recording: About
    job_sheet: dict[str, Any]
    sensors: tuple[Sensor, ...]
    compressor: Compressor
    cycling: tuple[Cycling, ...]
    equalisations: tuple[Equalisation, ...]
    static: tuple[Static, ...]
    vacuum: tuple[VacuumHold, ...]
    settlings: tuple[Settling, ...]
    expected: tuple[Expected, ...]
    episodes: tuple[Episode, ...]
    checks: tuple[Check, ...]
    causes: tuple[Cause, ...]
    verdict: str
    verdict_why: str
    coverage: Coverage
    marks: tuple[Note, ...]
    flags: tuple[Note, ...]
    limits: tuple[LimitUsed, ...]
    software: str

    def to_dict(self) -> dict[str, Any]:
        """Return the document as plain JSON values."""
        document = cast("dict[str, Any]", plain(self))
        recording = document["recording"]
        recording["channels"] = [
            {"place": s.place, "unit": s.unit, "rate_hz": _rounded(s.rate_hz), "missing": _rounded(s.missing)}
            for s in self.sensors
        ]
        return {"schema": SCHEMA_VERSION, **document}

    def to_json(self) -> str:
        """Return the document as JSON text."""
        return json.dumps(self.to_dict(), indent=1, ensure_ascii=False, allow_nan=False)


def schema() -> dict[str, Any]:
    """Return the document's JSON Schema (draft 2020-12)."""
    return json.loads(SCHEMA_FILE.read_text(encoding="utf-8"))


def _rounded(value: float) -> float | None:
    """Six significant digits; null where there is no number."""
    return float(f"{value:.6g}") if math.isfinite(value) else None


def _seconds(value: float) -> float:
    return round(value, 3)


def plain(value: Any, name: str = "") -> Any:
    """A dataclass as plain JSON values: numbers with their u95, six digits, milliseconds, null for no number."""
    if isinstance(value, Measured):
        return value.to_dict()
    if is_dataclass(value) and not isinstance(value, type):
        return {f.name: plain(getattr(value, f.name), f.name) for f in fields(value)}
    if isinstance(value, dict):
        return {key: plain(item) for key, item in cast("dict[str, Any]", value).items()}
    if isinstance(value, tuple | list):
        return [plain(item) for item in cast("list[Any]", value)]
    if isinstance(value, float):
        return _seconds(value) if name.endswith("_s") and math.isfinite(value) else _rounded(value)
    return value
