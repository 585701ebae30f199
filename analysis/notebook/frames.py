"""A recording as polars frames: a column a channel, its unit at the end of the name, missing readings null."""

import polars as pl

from analysis.case import Case
from analysis.timeline import Timeline
from recorder.node import Channel
from recorder.recording import Stream

UNIT_NAMES = {
    "kPa": "kpa",
    "degC": "degc",
    "V": "v",
    "A": "a",
    "%": "percent",
    "kg": "kg",
    "1/min": "per_min",
    "km/h": "kmh",
    "m": "m",
    "1": "",
}
"""How a stored unit stands at the end of a column's name; a state has none."""
DERIVED = (
    "low_kpa",
    "high_kpa",
    "evaporating_degc",
    "condensing_degc",
    "superheat_k",
    "subcooling_k",
    "lift",
    "over_ambient_k",
    "vent_over_evaporating_k",
    "split_k",
)


def column_name(channel: Channel, reference: str | None) -> str:
    """The name of a channel's column: its id, what a pressure counts from, its unit."""
    kind = "" if channel.quantity != "pressure" else "_absolute" if reference == "absolute" else "_gauge"
    unit = UNIT_NAMES[channel.unit]
    return f"{channel.id}{kind}{'_' if unit else ''}{unit}"


def stream_frame(stream: Stream, origin_utc_ns: int) -> pl.DataFrame:
    """The samples of one node's stream as they were stored.

    Returns
    -------
    DataFrame
        ``t`` (UTC), ``t_s`` (seconds since the recording's first sample [s]), then a column a channel; pressures count
        from where their sensor does, which their name says.
    """
    seconds = ((pl.col("t").to_physical() - origin_utc_ns) / 1e9).alias("t_s")
    channels = (pl.col(c.id).alias(column_name(c, c.reference)) for c in stream.channels)
    return stream.data.select("t", seconds, *channels)


def timeline_frame(timeline: Timeline) -> pl.DataFrame:
    """Every channel on the common grid; readings that were set aside are null.

    Returns
    -------
    DataFrame
        ``t_s`` [s], then a column a channel; pressures are absolute.
    """
    grids = {column_name(s.channel, "absolute"): timeline.on_grid[name] for name, s in timeline.signals.items()}
    return pl.DataFrame({"t_s": timeline.t_s, **grids}).fill_nan(None)


def derived_frame(case: Case) -> pl.DataFrame:
    """What follows from the channels and the refrigerant, on the common grid; names as in the nomenclature.

    Returns
    -------
    DataFrame
        ``t_s`` [s], ``pumping`` and ``asked`` (whether the compressor pumps, and cooling is asked for), then those of
        ``DERIVED`` that the channels allow; ``low_kpa`` and ``high_kpa`` are absolute, ``lift`` is ln(high/low).
    """
    had = {name: values for name in DERIVED if (values := getattr(case.derived, name)) is not None}
    masks = {"pumping": case.running.pumping, "asked": case.operating.asked}
    return pl.DataFrame({"t_s": case.timeline.t_s, **masks, **had}).fill_nan(None)
