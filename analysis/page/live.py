"""A recording under way as the page shows it: latest values, the last ten minutes, what is silent or lost."""

import json
import shutil
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, cast

import numpy as np
from numpy.typing import NDArray

from analysis.expected import SETTLED_IN_S
from analysis.page.ladder import CLUTCH_ON_V, Ladder, Reading, above_gauge_kpa, barometric_kpa, ladder_of
from analysis.page.tail import SILENT_S, JournalTail, NodeTail
from analysis.refrigerant import refrigerant
from recorder.jobsheet import JobSheet, job_sheet_from
from recorder.node import Channel

STRIP_S = 600.0
BUCKET_S = 1.0
SATURATIONS = (
    ("low_side", "evaporating", ("suction_line", "evaporator_out"), "superheat", 1.0),
    ("high_side", "condensing", ("liquid_line",), "subcooling", -1.0),
)
"""Side, its saturation line, the probes whose difference from it counts, that difference and its sign."""
Bucket = list[float]


@dataclass(slots=True)
class Line:
    """Minimum and maximum of each second of the last ten minutes; seconds without a reading are missing."""

    unit: str
    buckets: dict[int, Bucket] = field(default_factory=dict[int, Bucket])
    touched: set[int] = field(default_factory=set[int])

    def add(self, t_s: NDArray[np.float64], values: NDArray[np.float64]) -> None:
        """Take samples, in order of time."""
        good = np.isfinite(values)
        if not good.any():
            return
        t, v = np.floor(t_s[good] / BUCKET_S).astype(np.int64), values[good]
        starts = np.flatnonzero(np.concatenate([[True], np.diff(t) != 0]))
        low, high = np.fmin.reduceat(v, starts), np.fmax.reduceat(v, starts)
        for index, a, b in zip(t[starts].tolist(), low.tolist(), high.tolist(), strict=True):
            held = self.buckets.get(index)
            self.buckets[index] = [a, b] if held is None else [min(a, held[0]), max(b, held[1])]
            self.touched.add(index)

    def forget(self, before_s: float) -> None:
        """Drop what has left the strip."""
        oldest = int(before_s / BUCKET_S)
        while self.buckets and (first := next(iter(self.buckets))) < oldest:
            del self.buckets[first]

    def news(self) -> list[list[float]]:
        """Buckets that changed since the last call: second, minimum, maximum."""
        changed = [[i, *_rounded(self.buckets[i])] for i in sorted(self.touched) if i in self.buckets]
        self.touched.clear()
        return changed

    def whole(self) -> list[list[float]]:
        """All buckets, in order of time."""
        return [[i, *_rounded(self.buckets[i])] for i in sorted(self.buckets)]


def _rounded(pair: Bucket) -> list[float]:
    return [round(pair[0], 2), round(pair[1], 2)]


class LiveRecording:
    """Follows one recording folder; ``look`` takes what arrived and returns whether anything did."""

    def __init__(self, folder: Path) -> None:
        about = json.loads((folder / "opening.json").read_text(encoding="utf-8"))
        self.folder = folder
        self.job: JobSheet = job_sheet_from(about["job_sheet"], str(folder / "opening.json"))
        self.utc_ns, self.monotonic_ns = int(about["utc_ns"]), int(about["monotonic_ns"])
        self._fluid = refrigerant(self.job.refrigerant) if self.job.refrigerant else None
        self.nodes: dict[str, NodeTail] = {}
        self.channels: dict[str, Channel] = {}
        self.latest: dict[str, tuple[float, float]] = {}
        self.lines: dict[str, Line] = {}
        self.now_s = 0.0
        self.arrived_utc_ns: int | None = None
        self.pumping_told: bool | None = None
        self._resting_s = 0.0
        self._pumped_s = -STRIP_S
        self._first_ns: int | None = None
        self._names: dict[tuple[str, str], str] = {}

    def look(self) -> bool:
        """Read on in every journal."""
        for path in sorted(self.folder.glob("*.journal")):
            self.nodes.setdefault(path.stem, NodeTail(path.stem, JournalTail(path)))
        heard = False
        for node in self.nodes.values():
            for group, (t_s, values) in node.news(self._first_ns):
                if self._first_ns is None:
                    self._first_ns = node.first_ns
                heard = True
                self._take(node.name, tuple(c for c in group.channels if c.in_use), t_s, values)
            if heard and node.last_ns is not None:
                self.arrived_utc_ns = self.utc_ns + node.last_ns - self.monotonic_ns
        if heard:
            self._derive()
        return heard

    def _take(
        self, node: str, channels: tuple[Channel, ...], t_s: NDArray[np.float64], values: dict[str, NDArray[np.float64]]
    ) -> None:
        if len(t_s) == 0:
            return
        self.now_s = max(self.now_s, float(t_s[-1]))
        for channel in channels:
            name = self._name(node, channel)
            own = values[channel.id]
            line = self.lines.setdefault(name, Line(channel.unit))
            line.add(t_s, own)
            good = np.flatnonzero(np.isfinite(own))
            if len(good) and float(t_s[good[-1]]) >= self.latest.get(name, (-np.inf, 0.0))[0]:
                self.latest[name] = float(t_s[good[-1]]), float(own[good[-1]])
        self._derive_lines(t_s, {self._name(node, channel): values[channel.id] for channel in channels})

    def _name(self, node: str, channel: Channel) -> str:
        """A channel's id, or the place's next free number where two nodes use one id (as the timeline does)."""
        known = self._names.get((node, channel.id))
        if known is None:
            names = [channel.id, *(f"{channel.place}_{number}" for number in range(2, 1000))]
            known = next(name for name in names if name not in self.channels)
            self._names[node, channel.id] = known
            self.channels[known] = channel
        return known

    def places(self) -> set[str]:
        """Places from which readings came so far."""
        return {self.channels[name].place for name in self.latest}

    def readings(self) -> dict[str, Reading]:
        """Latest value of each channel; one that is older than a few seconds of the drive is stale."""
        patience_s = max(3.0, SILENT_S * self.time_scale)
        return {
            name: Reading(self.channels[name], value, stale=self.now_s - t_s > patience_s)
            for name, (t_s, value) in self.latest.items()
        }

    @property
    def time_scale(self) -> float:
        """How much faster than real time the nodes play."""
        return max((node.time_scale for node in self.nodes.values()), default=1.0)

    def seconds_at(self, monotonic_ns: int) -> float:
        """The drive's seconds at a moment of the host's monotonic clock."""
        return 0.0 if self._first_ns is None else (monotonic_ns - self._first_ns) / 1e9 * self.time_scale

    def spread(self, name: str, seconds: float) -> float | None:
        """Largest less smallest value of a line over the last seconds; None where it was not read all that time."""
        line = self.lines.get(name)
        if line is None:
            return None
        since = self.now_s - seconds
        part = [pair for index, pair in line.buckets.items() if index * BUCKET_S >= since]
        if len(part) * BUCKET_S < 0.8 * seconds:
            return None
        return max(pair[1] for pair in part) - min(pair[0] for pair in part)

    def value(self, name: str) -> float | None:
        """A channel's latest value; None where there is none, or it is stale."""
        reading = self.readings().get(name)
        return None if reading is None or reading.stale else reading.value

    def ladder(self) -> Ladder:
        """The ladder now."""
        return ladder_of(self.readings(), self.job, self.pumping_told)

    def _derive_lines(self, t_s: NDArray[np.float64], rows: dict[str, NDArray[np.float64]]) -> None:
        """Saturation temperatures of every row that arrived, superheat and subcooling where the compressor pumped.

        What another node reads is taken as it last stood.
        """
        if self._fluid is None:
            return
        air_kpa = barometric_kpa({name: value for name, (_, value) in self.latest.items()}, self.job)
        pumping = (
            rows["clutch"] > CLUTCH_ON_V if "clutch" in rows else np.full(len(t_s), self.pumping_told is not False)
        )
        for side, line, probes, gap, sign in SATURATIONS:
            if side not in rows:
                continue
            absolute_kpa = rows[side] - above_gauge_kpa(self.channels[side], air_kpa) + air_kpa
            degc = self._fluid.saturation_temperature(absolute_kpa)
            self.lines.setdefault(line, Line("degC")).add(t_s, degc)
            probe = next((rows.get(name, self._last(name, t_s)) for name in probes if name in self.channels), None)
            if probe is not None:
                self.lines.setdefault(gap, Line("K")).add(t_s, np.where(pumping, sign * (probe - degc), np.nan))

    def _last(self, name: str, t_s: NDArray[np.float64]) -> NDArray[np.float64]:
        at_s, value = self.latest.get(name, (-np.inf, np.nan))
        return np.full(len(t_s), value if t_s[0] - at_s <= SILENT_S * self.time_scale else np.nan)

    def _derive(self) -> None:
        if self.ladder().pumping is True:
            self._pumped_s = self.now_s
        else:
            self._resting_s = self.now_s
        for line in self.lines.values():
            line.forget(self.now_s - STRIP_S)

    def state(self) -> dict[str, Any]:
        """What changes all the time, as plain JSON values."""
        now_ns = time.monotonic_ns()
        for node in self.nodes.values():
            node.read_account()
        return {
            "t_s": round(self.now_s, 2),
            "scale": self.time_scale,
            "arrived_ms": None if self.arrived_utc_ns is None else self.arrived_utc_ns // 1_000_000,
            "ladder": self.ladder().to_dict(),
            "steady": self.now_s - self._resting_s > SETTLED_IN_S,
            "just_pumped": self.now_s - self._pumped_s < SETTLED_IN_S,
            "nodes": [_told(node, now_ns) for node in self.nodes.values()],
            "free_mb": shutil.disk_usage(self.folder).free // 1_000_000,
        }

    def news(self) -> dict[str, list[list[float]]]:
        """Strip buckets that changed since the last call."""
        return {name: changed for name, line in self.lines.items() if (changed := line.news())}

    def strips(self) -> dict[str, list[list[float]]]:
        """All strip buckets, for a page that opens or comes back."""
        return {name: line.whole() for name, line in self.lines.items()}


def _told(node: NodeTail, now_ns: int) -> dict[str, Any]:
    silent_s = None if node.last_ns is None else (now_ns - node.last_ns) / 1e9
    groups = node.description.groups if node.description else ()
    outages = cast("list[dict[str, Any]]", node.account.get("outages") or [])
    return {
        "name": node.name,
        "silent_s": round(silent_s, 1) if silent_s is not None and silent_s > SILENT_S else 0,
        "lost": node.lost,
        "reconnects": int(node.account.get("reconnects") or 0),
        "restarts": node.restarts,
        "unused": sum(not channel.in_use for group in groups for channel in group.channels),
        "silences": len(node.silences),
        "why": str(outages[-1]["why"]) if outages and outages[-1].get("to") is None else "",
        "told": node.account.get("told") or [],
        "supply_mv": node.health.supply_mv if node.health else None,
        "rssi_dbm": node.account.get("rssi_dbm"),
        "time_scale": node.time_scale,
    }
