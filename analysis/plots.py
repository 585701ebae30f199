"""One description of a figure for screen and print: strips on a shared time axis, like a paper strip chart.

A strip holds one quantity; lines differ in dash and are named at their end, so that colour never alone carries meaning.
Long traces are reduced to the minimum and maximum of even stretches: a one-sample spike survives, a gap stays one.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analysis import wording
from analysis.case import Case
from analysis.findings import Episode, Findings
from analysis.timeline import Floats, Span

BUCKETS = 900


@dataclass(frozen=True, slots=True, eq=False)
class Line:
    """One trace; ``dash`` is solid, dash or dot."""

    name: str
    dash: str
    t_s: Floats
    values: Floats


@dataclass(frozen=True, slots=True, eq=False)
class Strip:
    """One quantity with its lines, and the band in which it is usual."""

    quantity: str
    unit: str
    lines: tuple[Line, ...]
    band: tuple[float, float] | None = None
    height: float = 1.0


@dataclass(frozen=True, slots=True)
class Lane:
    """Stretches of time under the strips: compressor runs, episodes of one kind."""

    name: str
    spans: tuple[Span, ...]
    weight: str


@dataclass(frozen=True, slots=True)
class Flag:
    """A mark of the technician."""

    time_s: float
    text: str


@dataclass(frozen=True, slots=True, eq=False)
class Figure:
    """Strips, lanes and flags between two moments."""

    title: str
    start_s: float
    end_s: float
    strips: tuple[Strip, ...]
    lanes: tuple[Lane, ...]
    flags: tuple[Flag, ...]


def figure_of(
    case: Case, findings: Findings, title: str, start_s: float, end_s: float, buckets: int = BUCKETS
) -> Figure:
    """Describe the trace between two moments; longer ones are reduced to ``buckets`` minima and maxima."""
    lanes = [Lane("compressor pumps", tuple((r.start_s, r.end_s) for r in case.running.runs), "run")]
    for kind in dict.fromkeys(episode.kind for episode in findings.episodes):
        own = tuple((e.start_s, e.end_s) for e in findings.episodes if e.kind == kind)
        lanes.append(Lane(wording.title(kind), own, "episode"))
    shown = [lane for lane in lanes if any(b >= start_s and a <= end_s for a, b in lane.spans)]
    flags = tuple(
        Flag(mark.time_s, mark.text or mark.kind.replace("_", " "))
        for mark in case.timeline.marks
        if start_s <= mark.time_s <= end_s
    )
    strips = tuple(strip for strip in _strips(case, start_s, end_s, buckets) if strip.lines)
    return Figure(title, start_s, end_s, strips, tuple(shown), flags)


def _strips(case: Case, start_s: float, end_s: float, buckets: int) -> list[Strip]:
    line, derived = case.timeline, case.derived
    gauge = line.barometric_kpa
    low = None if derived.low_kpa is None else derived.low_kpa - gauge
    high = None if derived.high_kpa is None else derived.high_kpa - gauge

    def lines(*named: tuple[str, str, Floats | None]) -> tuple[Line, ...]:
        return tuple(
            Line(name, dash, *reduced(line.t_s, values, start_s, end_s, buckets))
            for name, dash, values in named
            if values is not None
        )

    return [
        Strip("pressure, gauge", "kPa", lines(("high side", "solid", high), ("low side", "dash", low)), None, 1.5),
        Strip(
            "condensing over ambient",
            "K",
            lines(("condensing over ambient", "solid", derived.over_ambient_k)),
            (10, 30),
        ),
        Strip(
            "air and evaporator",
            "°C",
            lines(
                ("vent", "solid", line.grid("vent")),
                ("evaporating", "dash", derived.evaporating_degc),
                ("ambient", "dot", line.grid("ambient")),
            ),
            None,
            1.2,
        ),
        Strip("superheat", "K", lines(("superheat", "solid", derived.superheat_k)), (3, 15), 0.8),
        Strip("subcooling", "K", lines(("subcooling", "solid", derived.subcooling_k)), (4, 15), 0.8),
        Strip("engine", "1/min", lines(("engine speed", "solid", line.grid("engine_speed"))), None, 0.7),
        Strip("road", "km/h", lines(("vehicle speed", "solid", line.grid("vehicle_speed"))), None, 0.7),
    ]


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
    """The episodes worth a figure of their own: of the leading cause first, then by severity, in order of time."""
    leading = wording.leading(findings)
    first = leading.cause if leading else ""
    transient = [episode for episode in findings.episodes if not episode.permanent]
    ranked = sorted(transient, key=lambda e: (e.kind != first, -e.severity, -(e.end_s - e.start_s)))
    return sorted(ranked[:count], key=lambda e: e.start_s)


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
    """Range of a strip with a little air; a quiet trace is not blown up to noise."""
    values = np.concatenate([line.values for line in strip.lines])
    values = values[np.isfinite(values) & (np.abs(values) < 1e9)]
    if len(values) == 0:
        return 0.0, 1.0
    low, high = float(values.min()), float(values.max())
    least = {"kPa": 50.0, "K": 6.0, "°C": 6.0, "km/h": 10.0, "1/min": 200.0}.get(strip.unit, 1.0)
    if high - low < least:
        middle = (low + high) / 2.0
        low, high = middle - least / 2.0, middle + least / 2.0
    air = 0.06 * (high - low)
    return low - air, high + air


def texts(figure: Figure) -> Sequence[str]:
    """All words of a figure, for its text equivalent."""
    return [figure.title, *(s.quantity for s in figure.strips), *(lane.name for lane in figure.lanes)]
