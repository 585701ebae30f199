"""Zooming: every one-sample spike survives, gaps stay gaps, panning does not make the trace shimmer."""

import base64
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.derived import derive
from analysis.page.trace import Series, packed, read_derived, reduced, sensed, write_derived
from analysis.timeline import timeline_of
from recorder.recording import open_recording
from tests.analysis.made import recording_of
from tests.conftest import ROOT
from tests.page.conftest import Served

T = np.arange(0.0, 5000.0, 0.01)


def series(values: np.ndarray, t_s: np.ndarray = T) -> Series:
    return Series("vent", "vent", "temperature", "degC", False, t_s, values)


def test_every_one_sample_spike_survives_at_any_zoom():
    values = np.zeros(len(T))
    at = np.random.default_rng(5).choice(len(T), 60, replace=False)
    values[at] = 100.0 + np.arange(60)
    for buckets in (3, 60, 390, 1440, 4000):
        _, kept = reduced(series(values), 0.0, 5000.0, buckets)
        assert len(kept) <= 2 * buckets + 4
        size = 1 << int(np.ceil(np.log2(len(T) / buckets)))
        highest = {values[i : i + size].max() for i in range(0, len(T), size)}
        assert highest == set(np.maximum(kept[::2], kept[1::2]))


def test_a_gap_stays_a_gap():
    values = np.ones(len(T))
    values[100_000:200_000] = np.nan
    t, kept = reduced(series(values), 0.0, 5000.0, 500)
    assert np.isnan(kept[(t > 1020.0) & (t < 1980.0)]).all()
    assert np.isfinite(kept[(t < 980.0) | (t > 2020.0)]).all()


@given(st.floats(0.0, 4000.0), st.floats(0.0, 30.0))
@settings(max_examples=40, deadline=None)
def test_panning_moves_no_bucket(start_s: float, by_s: float):
    """Where two windows of one width overlap they show the very same points."""
    values = np.random.default_rng(1).normal(size=len(T))
    one = reduced(series(values), start_s, start_s + 900.0, 700)
    other = reduced(series(values), start_s + by_s, start_s + by_s + 900.0, 700)
    low, high = start_s + by_s + 2.0, start_s + 898.0
    a, b = ({(t, v) for t, v in zip(*pair, strict=True) if low < t < high} for pair in (one, other))
    assert a == b


def test_few_samples_are_shown_as_they_are_with_one_beyond_each_edge():
    t, v = reduced(series(T.copy()), 10.0, 12.0, 1000)
    assert t[0] == pytest.approx(9.99)
    assert t[-1] == pytest.approx(12.01)
    assert (v == t).all()


def test_what_is_shown_is_what_was_recorded_spikes_that_the_analysis_sets_aside_included(tmp_path: Path):
    t = np.arange(0.0, 300.0, 0.25)
    high = 1200.0 + 5.0 * np.sin(t)
    high[600] = 2900.0
    recording = recording_of(t, {"low_side [kPa]": 200.0 + 0 * t, "high_side [kPa]": high, "clutch [V]": 13.0 + 0 * t})
    timeline = timeline_of(recording)
    assert timeline is not None
    assert len(timeline.signals["high_side"].spikes_s) == 1
    write_derived(tmp_path / "derived.npz", timeline, derive(timeline, "R-134a"))
    recorded = sensed(recording.streams, recording.job, lambda: timeline)
    shown = {one.name: one for one in (*recorded, *read_derived(tmp_path / "derived.npz"))}
    assert shown["high_side"].values[600] == pytest.approx(2900.0, abs=0.1)
    assert {"evaporating", "condensing"} <= set(shown)


def test_a_clock_that_ran_backward_is_still_drawn_in_line():
    t = np.concatenate([np.arange(0.0, 100.0), np.arange(40.0, 140.0)])
    recording = recording_of(t, {"vent [degC]": 10.0 + 0 * t, "low_side [kPa]": 200.0 + 0 * t})
    timeline = timeline_of(recording)
    assert timeline is not None
    for one in sensed(recording.streams, recording.job, lambda: timeline):
        assert (np.diff(one.t_s) > 0).all()


def test_the_server_sends_the_recorded_values(page: Served):
    answer = page.get("/api/trace/minibus-7-before?start=600&end=620&buckets=1000").json()
    line = next(line for line in answer["lines"] if line["name"] == "high_side")
    t = np.frombuffer(base64.b64decode(answer["times"][line["times"]]), "<f8")
    v = np.frombuffer(base64.b64decode(line["values"]), "<f4")
    rows = open_recording(ROOT / "recordings" / "minibus-7-before").streams[0].data
    seconds = (rows["t"].to_physical().to_numpy() - rows["t"].to_physical()[0]) / 1e9
    inside = (seconds >= t[0] - 1e-6) & (seconds <= t[-1] + 1e-6)
    assert (v == rows["high_side"].to_numpy()[inside].astype("<f4")).all()


@pytest.mark.parametrize("query", ["", "start=0", "start=x&end=2", "start=5&end=5", "start=9&end=2", "start=nan&end=1"])
def test_a_window_that_is_none_is_refused(page: Served, query: str):
    assert page.get(f"/api/trace/minibus-7-before?{query}").status == 400


def test_lines_that_share_their_times_send_them_once():
    lines = tuple(series(np.zeros(len(T))) for _ in range(3))
    assert len(packed(lines, 0.0, 100.0, 500)["times"]) == 1
