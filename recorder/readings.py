"""What a node sent, column by column, to what is stored: scaled, converted, calibrated, or missing with a reason."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray

from recorder.node import MISSING_INT32, Channel
from recorder.places import POSSIBLE
from recorder.sensors import REASONS, Array, ClampOn, Converted, Missing

BEYOND_SPAN = 0.1
"""Share of its stated span by which a sensor may read beyond its range; further out it is no reading (common practice,
no source). A gauge sensor reads into vacuum below a range that begins at zero: no lower end is held against it."""


@dataclass(frozen=True, slots=True)
class Readings:
    """Stored values by channel (NaN where missing), and how many are missing, by reason and channel."""

    values: dict[str, Array]
    missing: dict[str, int]


def signal_of(channel: Channel, raw: NDArray[Any]) -> Array:
    """What was sent, scaled; NaN where the node sent nothing."""
    signal = raw.astype(np.float64)
    if raw.dtype.kind == "i":
        signal[raw == MISSING_INT32] = np.nan
    signal[~np.isfinite(signal)] = np.nan
    signal *= channel.scale
    signal += channel.offset
    return signal


def converted(channel: Channel, raw: Mapping[str, NDArray[Any]], channels: Mapping[str, Channel]) -> Converted:
    """A channel's values in its stored unit before any calibration of its own.

    Parameters
    ----------
    channel : Channel
        Which one.
    raw : mapping of arrays of shape (n,)
        What was sent, by channel id: int32 or floating point.
    channels : mapping
        All channels of the group, by id.
    """
    signal = signal_of(channel, raw[channel.id])
    if channel.conversion is None:
        return Converted(signal, np.where(np.isnan(signal), np.uint8(Missing.NOT_SENT), np.uint8(Missing.NO)))
    beside = {name: _stored(channels[name], raw, channels).values for name in channel.conversion.needs}
    with np.errstate(invalid="ignore", divide="ignore", over="ignore"):
        return channel.conversion.convert(signal, beside)


def _stored(channel: Channel, raw: Mapping[str, NDArray[Any]], channels: Mapping[str, Channel]) -> Converted:
    found = converted(channel, raw, channels)
    values, reason = found.values, found.reason
    if channel.calibration is not None:
        values = channel.calibration.apply(values)
    elif isinstance(channel.conversion, ClampOn):
        uncalibrated = reason == Missing.NO
        values = np.full_like(values, np.nan)
        reason = np.where(uncalibrated, np.uint8(Missing.NOT_CALIBRATED), reason)
    low, high = limits_of(channel)
    outside = (values < low) | (values > high)
    if outside.any():
        values = np.where(outside, np.nan, values)
        reason = np.where(outside, np.uint8(Missing.OUT_OF_RANGE), reason)
    return Converted(values, reason)


def limits_of(channel: Channel) -> tuple[float, float]:
    """Lowest and highest value that counts as a reading: of the quantity, and of the sensor where it states a range."""
    low, high = POSSIBLE[channel.quantity]
    if channel.range_low is None or channel.range_high is None:
        return low, high
    beyond = BEYOND_SPAN * (channel.range_high - channel.range_low)
    if channel.quantity != "pressure" or channel.reference == "absolute":
        low = max(low, channel.range_low - beyond)
    return low, min(high, channel.range_high + beyond)


def missing_in_words(counters: Mapping[str, int]) -> tuple[str, ...]:
    """What is missing out of a node's counters, a sentence for each channel and reason."""
    prefixes = {f"{reason.name.lower()}_": words for reason, words in REASONS.items()}
    return tuple(
        f"{name.removeprefix(prefix)}: {count} reading{'s' if count > 1 else ''} missing ({words})"
        for name, count in sorted(counters.items())
        for prefix, words in prefixes.items()
        if name.startswith(prefix)
    )


def readings_of(channels: Sequence[Channel], raw: Mapping[str, NDArray[Any]]) -> Readings:
    """Store a group's columns.

    Parameters
    ----------
    channels : sequence of Channel
        The channels of one group.
    raw : mapping of arrays of shape (n,)
        What was sent, by channel id: int32 or floating point.
    """
    by_id = {channel.id: channel for channel in channels}
    values: dict[str, Array] = {}
    missing: dict[str, int] = {}
    for channel in channels:
        found = _stored(channel, raw, by_id)
        values[channel.id] = found.values
        counts = np.bincount(found.reason, minlength=len(Missing))
        missing |= {
            f"{Missing(code).name.lower()}_{channel.id}": int(counts[code]) for code in np.flatnonzero(counts[1:]) + 1
        }
    return Readings(values, missing)


def raw_columns(channels: Sequence[Channel], data: pl.DataFrame) -> dict[str, NDArray[Any]]:
    """What was sent, by channel id, out of the rows of a stream."""
    raw: dict[str, NDArray[Any]] = {}
    for channel in channels:
        column = data[f"raw_{channel.id}"]
        raw[channel.id] = (column.fill_null(MISSING_INT32) if column.dtype.is_integer() else column).to_numpy()
    return raw


def reread(channels: Sequence[Channel], data: pl.DataFrame) -> tuple[pl.DataFrame, dict[str, int]]:
    """Work the stored columns out again from the raw ones; also what is missing, by reason and channel."""
    readings = readings_of(channels, raw_columns(channels, data))
    stored = [pl.Series(name, v.astype(np.float32), nan_to_null=True) for name, v in readings.values.items()]
    return data.with_columns(stored), readings.missing
