"""A recording opened by a program: what it holds, and what the analysis makes of it, worked out once when asked for."""

from collections.abc import Sequence
from datetime import datetime
from functools import cached_property
from pathlib import Path
from typing import Generic, TypeVar

import polars as pl

from analysis.case import Case
from analysis.demo import BEFORE, shipped_recordings
from analysis.diagnose import diagnose, diagnose_timeline
from analysis.findings import Cause, Cycling, Episode, Equalisation, Findings, Note, Run, Settling, Stop
from analysis.notebook import as_panels, as_words
from analysis.notebook.frames import column_name, derived_frame, stream_frame, timeline_frame
from analysis.notebook.reader import units
from analysis.opening import opened
from analysis.plots import Figure, chosen, figure_of
from analysis.preferences import preferences
from analysis.timeline import Timeline, timeline_of
from analysis.wording import clock, count
from recorder.errors import InputError
from recorder.jobsheet import JobSheet
from recorder.marks import iso_utc
from recorder.recording import Recording
from recorder.store import software

Part = TypeVar("Part")
DEMO = "demo"


class Parts(tuple[Part, ...], Generic[Part]):
    """Several parts of the findings: a tuple that shows itself a line each, in a notebook as a table."""

    __slots__ = ()

    def __repr__(self) -> str:
        return as_words.lines(self)

    def _repr_html_(self) -> str:
        return as_panels.panel(count(len(self), type(self[0]).__name__) if self else "none", as_panels.table_of(self))


def opened_recording(path: Path | str, job: Path | str | None, calibration: Path | str | None) -> "OpenedRecording":
    """Open a recording; see ``analysis.open_recording``."""
    folder = Path(path)
    if str(path) == DEMO and not folder.exists():
        folder = shipped_recordings() / BEFORE
    preferences()  # what is wrong with the reader's settings is told here, not by some repr later
    others = (None if file is None else Path(file) for file in (job, calibration))
    return OpenedRecording(opened(folder, *others))


class OpenedRecording:
    """A recording with its frames, findings and figures.

    Nothing is read again or judged again once it was asked for; the files are not touched.

    Attributes
    ----------
    recording : Recording
        What the recorder reads: streams with the sensors' raw values, nodes, seal.

    Examples
    --------
    >>> import analysis
    >>> drive = analysis.open_recording("demo")
    >>> drive.job.refrigerant, drive.job.plate
    ('R-134a', 'HV 07 BUS')
    >>> drive.marks
    [Note(0:19 engine on),
     Note(0:25 ac on, full cold, recirculation, blower 3),
     Note(18:22 complaint, driver: warm now),
     Note(27:48 complaint, driver: warm now),
     Note(34:46 engine off)]
    """

    def __init__(self, recording: Recording) -> None:
        self.recording = recording

    @property
    def name(self) -> str:
        """The recording's folder."""
        return self.recording.path.name

    @property
    def job(self) -> JobSheet:
        """The job sheet, as later corrections left it; its repr shows the keys that are known."""
        return self.recording.job

    @property
    def started_at(self) -> datetime | None:
        """Time of the first sample (UTC); None where there is none, or nobody stated the time of day."""
        at_ns = self.recording.started_utc_ns
        return None if at_ns is None or not self.recording.timed else datetime.fromisoformat(iso_utc(at_ns))

    @property
    def duration_s(self) -> float:
        """From the first sample to the last [s]."""
        return 0.0 if self._timeline is None else self._timeline.duration_s

    @cached_property
    def marks(self) -> Parts[Note]:
        """The technician's marks, at their seconds since the first sample."""
        marks = () if self._timeline is None else self._timeline.marks
        return Parts(Note(mark.time_s, mark.kind, mark.text) for mark in marks)

    def frames(self) -> dict[str, pl.DataFrame]:
        """The samples as they were stored: a frame a stream, by the stream's id.

        Returns
        -------
        dict of str to DataFrame
            ``t`` (UTC), ``t_s`` [s], then a column a channel with its unit at the end of its name. A pressure's name
            says what it counts from (``low_side_gauge_kpa``). What is missing is null. Raw values stand in
            ``recording.streams``.

        Examples
        --------
        >>> import analysis
        >>> for name, frame in analysis.open_recording("demo").frames().items():
        ...     print(name, frame.height, frame.columns[:4])
        hv-node-7 8641 ['t', 't_s', 'low_side_gauge_kpa', 'high_side_gauge_kpa']
        """
        origin = self.recording.started_utc_ns or 0
        return {stream.id: stream_frame(stream, origin) for stream in self.recording.streams}

    def frame(self) -> pl.DataFrame:
        """Every channel of all streams on one time base, as the analysis judges them.

        Returns
        -------
        DataFrame
            ``t_s`` [s], then a column a channel with its unit at the end of its name. Pressures are absolute
            (``low_side_absolute_kpa``); gaps, and readings that no sensor can have made, are null.

        Examples
        --------
        >>> import analysis, polars as pl
        >>> drive = analysis.open_recording("demo")
        >>> standing = drive.frame().filter(pl.col("vehicle_speed_kmh") < 5, pl.col("t_s") > 300)
        >>> standing["high_side_absolute_kpa"].max() > 2800
        True
        """
        return pl.DataFrame({"t_s": []}) if self._timeline is None else timeline_frame(self._timeline)

    def derived(self) -> pl.DataFrame:
        """What follows from the channels and the refrigerant, on the time base of ``frame``.

        Returns
        -------
        DataFrame
            ``t_s`` [s]; ``pumping`` and ``asked``: whether the compressor pumps, and cooling is asked for;
            ``evaporating_degc``, ``condensing_degc``, ``superheat_k``, ``subcooling_k``, ``over_ambient_k`` and the
            others of the nomenclature, as far as the channels allow.

        Examples
        --------
        >>> import analysis, polars as pl
        >>> pumping = analysis.open_recording("demo").derived().filter("pumping")
        >>> bool((pumping["condensing_degc"] > pumping["evaporating_degc"]).all())
        True
        """
        return pl.DataFrame({"t_s": []}) if self._case is None else derived_frame(self._case)

    @property
    def findings(self) -> Findings:
        """Everything the analysis found; worked out at the first call.

        Examples
        --------
        >>> import analysis
        >>> found = analysis.open_recording("demo").findings
        >>> found
        Findings(minibus-7-before: Likely: condenser loses its airflow, 4 times, ... episodes)
        >>> found.cycling[0].period_s
        20.7... ± ...
        >>> round(found.cycling[0].period_s.value)
        21
        >>> found.to_dict()["verdict"]
        'fault_found'
        """
        return self._judged[0]

    @property
    def runs(self) -> Parts[Run]:
        """Intervals in which the compressor pumps."""
        return Parts(self.findings.compressor.runs)

    @property
    def stops(self) -> Parts[Stop]:
        """Why each run ended."""
        return Parts(self.findings.compressor.stops)

    @property
    def cycling(self) -> Parts[Cycling]:
        """Stretches of cycling with their medians."""
        return Parts(self.findings.cycling)

    @property
    def equalisations(self) -> Parts[Equalisation]:
        """How the two sides met after the stops."""
        return Parts(self.findings.equalisations)

    @property
    def settlings(self) -> Parts[Settling]:
        """How the channels settled after starts and changes."""
        return Parts(self.findings.settlings)

    @property
    def episodes(self) -> Parts[Episode]:
        """Intervals in which something is wrong.

        Examples
        --------
        >>> import analysis
        >>> drive = analysis.open_recording("demo")
        >>> drive.episodes[0]
        Episode(condenser loses its airflow, 9:4...–10:..., severity 0...)
        >>> sorted({episode.kind for episode in drive.episodes})
        ['condenser_airflow_loss', 'high_pressure_trip']
        """
        return Parts(self.findings.episodes)

    @property
    def causes(self) -> Parts[Cause]:
        """What would explain the episodes, likeliest first.

        Examples
        --------
        >>> import analysis
        >>> analysis.open_recording("demo").causes[0]
        Cause(condenser loses its airflow, likely (... %), ... for, 0 against)
        """
        return Parts(self.findings.causes)

    def figure(self, start_s: float = 0.0, end_s: float | None = None, kinds: Sequence[str] = ()) -> Figure:
        """The trace between two moments as a strip chart; a notebook draws it.

        Parameters
        ----------
        start_s, end_s : float
            Seconds since the first sample [s]; the whole recording where they are not given.
        kinds : sequence of str
            Kinds of episode whose telling quantities are wanted, beside pressures and air.

        Raises
        ------
        InputError
            If the recording holds no sample, or the stretch none of it.

        Examples
        --------
        >>> import analysis
        >>> drive = analysis.open_recording("demo")
        >>> drive.figure(560, 700, ["condenser_airflow_loss"])
        Figure(minibus-7-before, 9:20–11:40, 5 strips)
        """
        if self._case is None:
            raise InputError(f"{self.recording.path}: holds no sample.")
        end = min(self.duration_s, self.duration_s if end_s is None else end_s)
        start = max(0.0, start_s)
        if not start < end:
            raise InputError(
                f"{self.name}: has nothing from {start_s:g} s to {end:g} s; it is {self.duration_s:g} s long."
            )
        return chosen(figure_of(self._case, self.findings, self.name, start, end, units=units()), kinds, 5)

    @cached_property
    def _timeline(self) -> Timeline | None:
        return timeline_of(self.recording)

    @cached_property
    def _judged(self) -> tuple[Findings, Case | None]:
        if self._timeline is None:
            return diagnose(self.recording, software()), None
        return diagnose_timeline(self.recording, self._timeline, software())

    @property
    def _case(self) -> Case | None:
        return self._judged[1]

    def _told(self) -> tuple[str, ...]:
        """Length, begin, channels, marks, seal."""
        at_ns = self.recording.started_utc_ns if self.recording.timed else None
        begun = "date not stated" if at_ns is None else f"from {iso_utc(at_ns)}"
        return (
            f"{clock(self.duration_s)} {begun}",
            count(sum(len(stream.channels) for stream in self.recording.streams), "channel"),
            count(len(self.marks), "mark"),
            "sealed" if self.recording.sealed else "not sealed",
            "intact" if self.recording.intact else "NOT INTACT",
        )

    def __repr__(self) -> str:
        return as_words.line(self, self.name, *self._told())

    def _repr_html_(self) -> str:
        stated = {k.replace("_", " "): str(v) for k, v in self.job.to_dict().items() if not isinstance(v, list)}
        channels = [
            (stream.id, column_name(c, c.reference), f"{stream.rate_hz:g} Hz", c.sensor or "not stated")
            for stream in self.recording.streams
            for c in stream.channels
        ]
        return as_panels.panel(
            self.name,
            as_panels.paragraph("; ".join(self._told()) + "."),
            *(as_panels.paragraph(f"Not intact: {damage}.") for damage in self.recording.damage),
            as_panels.facts(stated.items()),
            as_panels.table(("stream", "channel", "rate", "sensor"), channels, "Channels"),
            as_panels.table_of(self.marks, "Marks"),
        )
