"""A probe's first-order lag, and what the analysis makes of readings whose sensor states it."""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.signal import lfilter

from analysis.case import case_of
from analysis.probe_lag import without_lag
from analysis.settling import settlings_of
from analysis.timeline import timeline_of
from tests.analysis.made import recording_of
from tests.reference import digits_of, mutations, table

STEP_S = 0.1


def closed_form(row: dict[str, str]) -> tuple[float, float]:
    """Gain and lag [s] of a sinusoid through a first-order lag."""
    w, tau = 2.0 * math.pi / float(row["period_s"]), float(row["tau_s"])
    return 1.0 / math.hypot(1.0, w * tau), math.atan(w * tau) / w


def agrees(row: dict[str, str]) -> bool:
    gain, lag = closed_form(row)
    return all(
        abs(value - float(row[name])) <= 0.501 * digits_of(row[name])
        for value, name in ((gain, "gain"), (lag, "lag_s"))
    )


def test_the_table_is_the_closed_form_and_no_digit_of_it_can_be_altered():
    for row in table("first_order_lag.csv"):
        assert agrees(row)
        for changed in mutations(row, ("gain", "lag_s")):
            assert not agrees(changed)


@pytest.mark.parametrize("row", table("first_order_lag.csv"), ids=lambda row: f"{row['tau_s']}-{row['period_s']}")
def test_a_swing_comes_back_in_size_and_in_time(row: dict[str, str]):
    """What the probe shows is the table's; what is made of it is the air again, to 6 % and 2 % of the period.

    A probe slower than half the period gets no more back than noise allows: 75 % of a swing of which it shows 11 %.
    """
    period, tau, gain, lag = (float(row[name]) for name in ("period_s", "tau_s", "gain", "lag_s"))
    t = np.arange(0.0, 12.0 * period, STEP_S)
    shown = gain * np.sin(2.0 * math.pi * (t - lag) / period)
    got = without_lag(shown, tau, STEP_S)[len(t) // 4 : -len(t) // 4]
    inner = t[len(t) // 4 : -len(t) // 4]
    wave = np.exp(-2j * math.pi * inner / period)
    found = 2.0 * np.mean(got * wave)
    assert 1.0 - (0.06 if tau <= period / 2.0 else 0.25) < abs(found) < 1.02
    late = (-math.pi / 2.0 - np.angle(found)) * period / (2.0 * math.pi)
    assert abs(late) < 0.02 * period


def test_a_correction_adds_no_more_noise_than_a_reading_has():
    rng = np.random.default_rng(5)
    noise = rng.normal(0.0, 0.1, 50_000)
    for tau in (2.0, 8.0, 20.0):
        assert np.std(without_lag(noise, tau, STEP_S)) < 1.5 * 0.1


def test_gaps_stay_gaps_and_without_a_stated_lag_nothing_changes():
    values = np.linspace(0.0, 10.0, 200)
    values[50:60] = np.nan
    assert np.array_equal(without_lag(values, None, STEP_S), values, equal_nan=True)
    corrected = without_lag(values, 3.0, STEP_S)
    assert np.array_equal(np.isnan(corrected), np.isnan(values))
    slope = 10.0 / 199 / STEP_S
    assert corrected[100] == pytest.approx(values[100] + 3.0 * slope, abs=1e-9)


def drive(tau_s: float, *, stated: bool):
    """Vent air falls with 15 s after a start; the probe adds its lag."""
    t = np.arange(0.0, 400.0, 0.25)
    on = np.maximum(t - 60.0, 0.0)
    air = 8.0 + 22.0 * np.exp(-on / 15.0)
    share = 1.0 - math.exp(-0.25 / tau_s)
    shown = lfilter([share], [1.0, share - 1.0], air, zi=[(1.0 - share) * air[0]])[0]
    shown = shown + np.random.default_rng(2).normal(0.0, 0.03, len(t))
    low = np.where(t < 60.0, 600.0, 200.0 + 400.0 * np.exp(-on / 3.0))
    high = np.where(t < 60.0, 600.0, 1400.0 - 800.0 * np.exp(-on / 3.0))
    clutch = np.where(t < 60.0, 0.0, 13.8)
    columns = {"low_side [kPaa]": low, "high_side [kPaa]": high, "vent [degC]": shown, "clutch [V]": clutch}
    recording = recording_of(t, columns)
    if stated:
        (stream,) = recording.streams
        channels = tuple(replace(c, time_constant_s=tau_s if c.id == "vent" else None) for c in stream.channels)
        recording = replace(recording, streams=(replace(stream, channels=channels),))
    timeline = timeline_of(recording)
    assert timeline is not None
    case = case_of(timeline, recording.job)
    (vent,) = [s for s in settlings_of(timeline, case.operating, case.running) if s.place == "vent"]
    return timeline, case, vent


def test_a_settling_time_is_that_of_the_air_where_the_lag_is_stated():
    """Of the air: 15 ln 20 = 44.9 s."""
    _, _, corrected = drive(8.0, stated=True)
    _, _, shown = drive(8.0, stated=False)
    assert corrected.settling_time_s.value == pytest.approx(15.0 * math.log(20.0), abs=2.0)
    assert shown.settling_time_s.value is not None
    assert shown.settling_time_s.value > 15.0 * math.log(20.0) + 8.0


def test_the_vents_follow_the_evaporator_without_the_probes_lag_and_the_data_stay_as_read():
    timeline, case, _ = drive(8.0, stated=True)
    vent, gap = timeline.grid("vent"), case.derived.vent_over_evaporating_k
    assert vent is not None
    assert gap is not None
    assert case.derived.evaporating_degc is not None
    at = timeline.index(75.0)
    air = 8.0 + 22.0 * math.exp(-1.0)
    assert gap[at] + case.derived.evaporating_degc[at] == pytest.approx(air, abs=0.4)
    assert vent[at] > air + 3.0
