"""One description of a figure for screen and print: strips on a shared time axis, like a paper strip chart.

A strip holds one quantity; lines differ in dash and weight and are named at their end, so that colour never alone
carries meaning. Long traces are reduced to the minimum and maximum of even stretches: a one-sample spike survives, a
gap stays one. Readings that the analysis set aside are drawn where they were.
"""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from analysis import wording
from analysis.case import Case
from analysis.findings import Episode, Findings
from analysis.glimpse import Glimpsed
from analysis.shown import KPA, Units
from analysis.timeline import Floats, Span

BUCKETS = 900


@dataclass(frozen=True, slots=True, eq=False)
class Line:
    """One trace; ``dash`` is solid, dash or dot, ``span`` what an axis must show (readings set aside may leave it)."""

    name: str
    dash: str
    t_s: Floats
    values: Floats
    span: tuple[float, float]


@dataclass(frozen=True, slots=True, eq=False)
class Band:
    """What is usual for a quantity over time; both edges of the shape of ``t_s``, NaN where nothing is said."""

    t_s: Floats
    low: Floats
    high: Floats


@dataclass(frozen=True, slots=True, eq=False)
class Strip:
    """One quantity with its lines, and the bands in which it is usual."""

    quantity: str
    unit: str
    lines: tuple[Line, ...]
    bands: tuple[Band, ...] = ()
    height: float = 1.0
    least: float = 1.0
    """Smallest range to draw: a quiet trace is not blown up to noise."""


@dataclass(frozen=True, slots=True)
class Lane:
    """Stretches of time under the strips: compressor runs, or episodes of one kind with their numbers."""

    name: str
    spans: tuple[Span, ...]
    weight: str
    numbers: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class Flag:
    """A mark of the technician."""

    time_s: float
    text: str


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class Figure(Glimpsed):
    """Strips, lanes, flags and unrecorded stretches between two moments."""

    title: str
    start_s: float
    end_s: float
    strips: tuple[Strip, ...]
    lanes: tuple[Lane, ...]
    flags: tuple[Flag, ...]
    gaps: tuple[Span, ...] = ()


TELLING: dict[str, tuple[str, ...]] = {
    "compressor_dropout": ("supply", "engine"),
    "high_pressure_trip": ("condensing over ambient", "road"),
    "undercharge": ("superheat", "subcooling"),
    "condenser_airflow_loss": ("condensing over ambient", "road"),
    "moisture_freeze": ("superheat",),
    "restriction": ("superheat", "subcooling"),
    "evaporator_icing": ("superheat",),
    "valve_hunting": ("superheat", "engine"),
    "weak_pumping": ("engine", "supply"),
    "overcharge": ("subcooling", "condensing over ambient"),
    "non_condensables": ("condensing over ambient", "subcooling"),
}
"""Strips that show a kind of fault best, beside the pressures and the air."""


def figure_of(
    case: Case,
    findings: Findings,
    title: str,
    start_s: float,
    end_s: float,
    buckets: int = BUCKETS,
    units: Units = KPA,
) -> Figure:
    """Describe the trace between two moments; longer ones are reduced to ``buckets`` minima and maxima."""
    lanes = [Lane("compressor pumps", tuple((r.start_s, r.end_s) for r in case.running.runs), "run")]
    numbered = list(enumerate(findings.episodes, start=1))
    for name in dict.fromkeys(_lane_name(episode) for episode in findings.episodes):
        own = [(n, e) for n, e in numbered if _lane_name(e) == name]
        spans = tuple((e.start_s, e.end_s) for _, e in own)
        lanes.append(Lane(name, spans, "episode", tuple(n for n, _ in own)))
    shown = [lane for lane in lanes if any(b >= start_s and a <= end_s for a, b in lane.spans)]
    flags = tuple(
        Flag(mark.time_s, mark.text or wording.mark(mark.kind))
        for mark in case.timeline.marks
        if start_s <= mark.time_s <= end_s
    )
    gaps = tuple((a, b) for a, b in case.timeline.unrecorded if b > start_s and a < end_s)
    strips = _Strips(case, findings, units, start_s, end_s, buckets).all()
    return Figure(title, start_s, end_s, tuple(s for s in strips if s.lines), tuple(shown), flags, gaps)


def _lane_name(episode: Episode) -> str:
    """A lane a kind of fault; of sensors a lane each, since they overlap."""
    if episode.kind == "sensor_fault" and episode.channel:
        return f"{wording.place(episode.channel)} misreads"
    return wording.LANES.get(episode.kind, wording.title(episode.kind))


def chosen(figure: Figure, kinds: Iterable[str], most: int = 4) -> Figure:
    """The figure with the strips that show these kinds best, pressures and air first."""
    wanted = ["pressure, gauge", "air and evaporator"]
    for kind in kinds:
        wanted += [quantity for quantity in TELLING.get(kind, ()) if quantity not in wanted]
    wanted += ["condensing over ambient", "superheat", "road", "engine"]
    there = {strip.quantity: strip for strip in figure.strips}
    kept = [there[quantity] for quantity in dict.fromkeys(wanted) if quantity in there][:most]
    kept = kept or list(figure.strips[:most])
    ordered = tuple(strip for strip in figure.strips if strip in kept)
    return Figure(figure.title, figure.start_s, figure.end_s, ordered, figure.lanes, figure.flags, figure.gaps)


class _Strips:
    """The strips of a recording between two moments, in the reader's units."""

    def __init__(
        self, case: Case, findings: Findings, units: Units, start_s: float, end_s: float, buckets: int
    ) -> None:
        self._case, self._findings, self._units = case, findings, units
        self._window = start_s, end_s
        self._buckets = buckets
        self._used: set[str] = set()

    def all(self) -> list[Strip]:
        """Pressures, air, what is derived from them, and every other channel with its kin."""
        units = self._units
        degc, kpa = units.temperature, units.pressure
        d = self._case.derived
        pressures = (self._sensed("high side", "solid", "high_side"), self._sensed("low side", "dash", "low_side"))
        strips = [
            Strip("pressure, gauge", kpa, _there(pressures), self._pressure_bands(), 1.6, units.convert(50.0, "kPa")),
            Strip(
                "air and evaporator",
                degc,
                _there(
                    (
                        self._sensed("vent", "solid", "vent"),
                        self._line("evaporating", "dash", d.evaporating_degc, "degC", derived=True),
                        self._sensed("ambient", "dot", "ambient"),
                    )
                ),
                height=1.25,
                least=6.0 * units.per_k,
            ),
            self._derived("condensing over ambient", d.over_ambient_k, 0.9),
            self._derived("superheat", d.superheat_k, 0.8),
            self._derived("subcooling", d.subcooling_k, 0.8),
            Strip(
                "lines and cabin",
                degc,
                _there(
                    (
                        self._sensed("return air", "solid", "return_air"),
                        self._sensed("suction line", "dash", "suction_line"),
                        self._sensed("liquid line", "dot", "liquid_line"),
                    )
                ),
                least=6.0 * units.per_k,
            ),
            Strip(
                "supply",
                "V",
                _there(
                    (
                        self._sensed("clutch", "solid", "clutch"),
                        self._sensed("fan", "dash", "fan"),
                        self._sensed("pressure switch", "dot", "pressure_switch"),
                    )
                ),
                height=0.7,
                least=2.0,
            ),
            Strip("engine", "1/min", _there((self._sensed("engine", "solid", "engine_speed"),)), (), 0.7, 200.0),
            Strip("road", "km/h", _there((self._sensed("road speed", "solid", "vehicle_speed"),)), (), 0.7, 10.0),
        ]
        return strips + self._others()

    def _others(self) -> list[Strip]:
        """Every channel that no strip above shows, by itself."""
        rest = [s for name, s in self._case.timeline.signals.items() if name not in self._used]
        return [
            Strip(
                wording.place(s.channel.id),
                self._units.symbol(s.channel.unit),
                _there((self._sensed(wording.place(s.channel.id), "solid", s.channel.id),)),
                (),
                0.7,
            )
            for s in rest
        ]

    def _sensed(self, name: str, dash: str, place: str) -> Line | None:
        """A channel as it was read, readings that were set aside included."""
        line = self._case.timeline
        signal = line.signals.get(place) or line.signal(place)
        if signal is None:
            return None
        self._used.add(signal.channel.id)
        values = line.on_grid[signal.channel.id]
        unit = signal.channel.unit
        if signal.channel.quantity == "pressure" and place in ("low_side", "high_side"):
            values = values - line.barometric_kpa
        return self._line(name, dash, values, unit, self._with_set_aside(values, signal.channel.id))

    def _with_set_aside(self, values: Floats, name: str) -> Floats:
        signal = self._case.timeline.signals[name]
        if len(signal.spikes_s) == 0 or len(values) == 0:
            return values
        shown = values.copy()
        at = np.clip(np.rint(signal.spikes_s / self._case.timeline.step_s).astype(np.intp), 0, len(values) - 1)
        offset = self._case.timeline.barometric_kpa if signal.channel.place in ("low_side", "high_side") else 0.0
        shown[at] = signal.spike_values - offset
        return shown

    def _line(
        self,
        name: str,
        dash: str,
        values: Floats | None,
        unit: str,
        aside: Floats | None = None,
        *,
        derived: bool = False,
    ) -> Line | None:
        if values is None or not np.isfinite(values).any():
            return None
        scale, offset, _ = self._units.factor(unit)
        first, last = (self._case.timeline.index(s) for s in self._window)
        inside = values[first : last + 1]
        pumping = self._case.running.pumping[first : last + 1]
        if derived and bool((pumping & np.isfinite(inside)).any()):
            inside = inside[pumping]  # under vacuum or during a recharge saturation says nothing of the circuit
        inside = inside[np.isfinite(inside)] * scale + offset
        span = (float(inside.min()), float(inside.max())) if len(inside) else (np.nan, np.nan)
        times, kept = reduced(self._case.timeline.t_s, values if aside is None else aside, *self._window, self._buckets)
        return Line(name, dash, times, kept * scale + offset, span)

    def _derived(self, quantity: str, values: Floats | None, height: float) -> Strip:
        units = self._units
        lines = _there((self._line(quantity, "solid", values, "K", derived=True),))
        edges = usual(self._findings, quantity)
        bands = () if edges is None else (self._flat(edges[0] * units.per_k, edges[1] * units.per_k),)
        return Strip(quantity, units.difference, lines, bands, height, 6.0 * units.per_k)

    def _flat(self, low: float, high: float) -> Band:
        t = np.array(self._window)
        return Band(t, np.full(2, low), np.full(2, high))

    def _pressure_bands(self) -> tuple[Band, ...]:
        """Where the two pressures usually stand for this refrigerant: low by evaporating, high by the ambient air."""
        case = self._case
        fluid, barometric = case.derived.refrigerant, case.timeline.barometric_kpa
        if fluid is None:
            return ()
        bands: list[Band] = []
        per_kpa = self._units.per_kpa
        over, ambient = usual(self._findings, "condensing over ambient"), case.timeline.grid("ambient")
        if over is not None and ambient is not None:
            first, last = (case.timeline.index(s) for s in self._window)
            at = np.unique(np.linspace(first, last, 160).astype(np.intp))
            edges = [(fluid.saturation_pressure(ambient[at] + k) - barometric) * per_kpa for k in over]
            bands.append(Band(case.timeline.t_s[at], *edges))
        evaporating = usual(self._findings, "evaporating temperature")
        if evaporating is not None:
            low, high = (fluid.pressure_at(t) - barometric for t in evaporating)
            if np.isfinite([low, high]).all():
                bands.append(self._flat(low * per_kpa, high * per_kpa))
        return tuple(bands)


def usual(findings: Findings, quantity: str) -> tuple[float, float] | None:
    """Lowest and highest edge that the document expects of a quantity, over its conditions; None where none."""
    rows = [r for r in findings.expected if r.quantity.startswith(quantity)]
    edges = [(r.low, r.high) for r in rows if r.low is not None and r.high is not None]
    return (min(low for low, _ in edges), max(high for _, high in edges)) if edges else None


def _there(lines: Iterable[Line | None]) -> tuple[Line, ...]:
    return tuple(line for line in lines if line is not None)


def reduced(t_s: Floats, values: Floats, start_s: float, end_s: float, buckets: int = BUCKETS) -> tuple[Floats, Floats]:
    """Minimum and maximum of even stretches, in the order in which they came; gaps stay NaN.

    Buckets are anchored to the sample index, so that a trace does not shimmer when the window moves.
    """
    first, last = int(np.searchsorted(t_s, start_s)), int(np.searchsorted(t_s, end_s, side="right"))
    size = max(-(-(last - first) // buckets), 1)
    first -= first % size
    t, v = t_s[first:last], values[first:last]
    if size == 1 or len(v) == 0:
        return t, v
    edges = np.arange(0, len(v), size)
    low, high = np.fmin.reduceat(v, edges), np.fmax.reduceat(v, edges)
    middle = t[np.minimum(edges + size // 2, len(t) - 1)]
    rising = v[np.minimum(edges + size - 1, len(v) - 1)] >= v[edges]
    pairs = np.where(rising[:, None], np.column_stack([low, high]), np.column_stack([high, low]))
    quarter = size * (t_s[1] - t_s[0]) / 4.0 if len(t_s) > 1 else 0.0
    times = np.column_stack([middle - quarter, middle + quarter])
    return times.ravel(), pairs.ravel()


def strongest(findings: Findings, count: int) -> list[Episode]:
    """The episodes that tell most, without those that last throughout, in order of time."""
    ranked = sorted((e for e in findings.episodes if not e.permanent), key=strength(findings))
    return sorted(ranked[:count], key=lambda e: e.start_s)


def strength(findings: Findings) -> Callable[[Episode], tuple[bool, float, float]]:
    """Sorts episodes: of the leading cause first, then by severity, then by length."""
    leading = wording.leading(findings)
    first = leading.cause if leading else ""
    return lambda e: (e.kind != first, -e.severity, -(e.end_s - e.start_s))


def around(episode: Episode, duration_s: float) -> Span:
    """A window that shows an episode and what was before and after it."""
    margin = max(45.0, 0.6 * (episode.end_s - episode.start_s))
    return max(0.0, episode.start_s - margin), min(duration_s, episode.end_s + margin)


def ticks(low: float, high: float, wanted: int) -> list[float]:
    """Round tick values that span a range."""
    if not high > low:
        return [low]
    power = 10.0 ** np.floor(np.log10(high - low))
    found = [low]
    for share in (10.0, 5.0, 2.0, 1.0, 0.5, 0.2, 0.1):
        step = float(power * share)
        finer = [float(v) + 0.0 for v in np.arange(np.ceil(low / step) * step, high + step * 1e-6, step)]
        if len(finer) > max(wanted, 2):
            break
        found = finer or found
    return found


def time_ticks(start_s: float, end_s: float) -> list[float]:
    """Tick seconds at whole minutes or parts of them."""
    span = end_s - start_s
    step = next((s for s in (10, 15, 30, 60, 120, 300, 600, 1200, 1800, 3600, 7200) if span / s <= 9), 14400)
    return [float(v) for v in np.arange(np.ceil(start_s / step) * step, end_s + 1e-6, step)]


def extent(strip: Strip) -> tuple[float, float]:
    """Range of a strip with a little air; a quiet trace is not blown up, a wild reading does not flatten the rest."""
    edges = [edge for line in strip.lines for edge in line.span if np.isfinite(edge)]
    if not edges:
        return 0.0, 1.0
    low, high = min(edges), max(edges)
    if high - low < strip.least:
        middle = (low + high) / 2.0
        low, high = middle - strip.least / 2.0, middle + strip.least / 2.0
    air = 0.06 * (high - low)
    return low - air, high + air


def texts(figure: Figure) -> Sequence[str]:
    """All words of a figure, for its text equivalent."""
    return [figure.title, *(s.quantity for s in figure.strips), *(lane.name for lane in figure.lanes)]
