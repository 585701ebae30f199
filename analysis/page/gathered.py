"""A recording under way as the detectors see it: each look reads on where the last one ended.

Reading everything anew each time would cost more than all detectors together. Seconds are those of the page: a node's
own ticks, counted from when its first sample arrived; sealing fits the clocks more finely.
"""

import json
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import polars as pl
from numpy.typing import NDArray

from analysis.page.tail import JournalTail, NodeTail
from recorder.jobsheet import job_sheet_from
from recorder.marks import Mark, read_marks
from recorder.node import Group
from recorder.recording import Recording, Stream

Chunk = tuple[NDArray[np.float64], dict[str, NDArray[np.float64]]]


@dataclass(slots=True)
class _Rows:
    """All rows of one group so far, in order of time."""

    group: Group
    t_s: NDArray[np.float64] = field(default_factory=lambda: np.zeros(0))
    values: dict[str, NDArray[np.float64]] = field(default_factory=dict[str, NDArray[np.float64]])

    def add(self, chunks: list[Chunk]) -> None:
        """Take rows; those that were sent again go where they belong."""
        t_s = np.concatenate([self.t_s, *(t for t, _ in chunks)])
        late = bool((np.diff(t_s) < 0).any())
        order = np.argsort(t_s, kind="stable") if late else slice(None)
        self.t_s = t_s[order]
        for channel in self.group.channels:
            before = self.values.get(channel.id, np.zeros(0))
            self.values[channel.id] = np.concatenate([before, *(values[channel.id] for _, values in chunks)])[order]


class Gathered:
    """What arrived of one recording under way."""

    def __init__(self, folder: Path) -> None:
        about = json.loads((folder / "opening.json").read_text(encoding="utf-8"))
        self.folder = folder
        self._id = str(about["id"])
        self._software = str(about["software"])
        self._job = job_sheet_from(about["job_sheet"], str(folder / "opening.json"))
        self._utc_ns = int(about["utc_ns"])
        self._nodes: dict[str, NodeTail] = {}
        self._rows: dict[tuple[str, Group], _Rows] = {}
        self._first_ns: int | None = None

    def recording(self) -> Recording:
        """Read on, and put together what there is."""
        for path in sorted(self.folder.glob("*.journal")):
            self._nodes.setdefault(path.stem, NodeTail(path.stem, JournalTail(path)))
        for name, node in self._nodes.items():
            self._read_on(name, node)
        streams = tuple(
            Stream(f"{name}-{number}", rows.group.rate_hz, rows.group.channels, self._table(rows))
            for number, ((name, _), rows) in enumerate(self._rows.items())
        )
        marks, damage = read_marks(self.folder)
        timed = tuple(Mark(self._on_time_base(mark), mark.kind, mark.text, mark.monotonic_ns) for mark in marks)
        return Recording(
            self.folder, self._id, False, tuple(damage), self._job, streams, timed, (), self._software, None
        )  # fmt: skip

    def _read_on(self, name: str, node: NodeTail) -> None:
        chunks: dict[Group, list[Chunk]] = {}
        while node.journal.behind:
            for group, rows in node.news(self._first_ns):
                self._first_ns = node.first_ns if self._first_ns is None else self._first_ns
                chunks.setdefault(group, []).append(rows)
        for group, found in chunks.items():
            self._rows.setdefault((name, group), _Rows(group)).add(found)

    def _table(self, rows: _Rows) -> pl.DataFrame:
        utc_ns = self._utc_ns + np.rint(rows.t_s * 1e9).astype(np.int64)
        return pl.DataFrame({"t": pl.Series(utc_ns, dtype=pl.Datetime("ns", "UTC")), **rows.values})

    def _on_time_base(self, mark: Mark) -> int:
        """UTC of a mark on the time base of the samples: a replay's clock runs faster than the host's."""
        if mark.monotonic_ns is None or self._first_ns is None:
            return mark.utc_ns
        scale = max((node.time_scale for node in self._nodes.values()), default=1.0)
        return self._utc_ns + round((mark.monotonic_ns - self._first_ns) * scale)
