"""Node ticks to host time: the lower hull finds skew and offset under delays that only add."""

import numpy as np
import pytest

from recorder.clock import Echo, fit_clock


@pytest.mark.parametrize("skew_ppm", [-120.0, 0.0, 45.0])
@pytest.mark.parametrize("time_scale", [1.0, 100.0])
def test_skew_and_offset_are_found_under_one_sided_delay(skew_ppm: float, time_scale: float):
    """Moon, Skelly & Towsley 1999: delays only add; seeded, 20 min of frames with exponential delay of 8 ms."""
    rng = np.random.default_rng(1)
    host_s = np.arange(0.0, 1200.0, 0.25)
    tick_us = (host_s / (1.0 + skew_ppm * 1e-6) * time_scale * 1e6).astype(np.int64)
    arrival_ns = ((5.0 + host_s + 0.002 + rng.exponential(0.008, len(host_s))) * 1e9).astype(np.int64)
    fit = fit_clock(1, tick_us, arrival_ns, time_scale)
    error_s = fit.monotonic_ns(tick_us) / 1e9 - (5.0 + host_s)
    assert fit.skew * 1e6 == pytest.approx(skew_ppm, abs=2.0)
    assert np.abs(error_s - 0.002).max() < 0.002


def test_an_echo_bounds_the_constant():
    """Half the shortest round trip bounds what one-way delay cannot tell."""
    host_s = np.arange(0.0, 60.0, 0.5)
    tick_us = (host_s * 1e6).astype(np.int64)
    arrival_ns = ((10.0 + host_s + 0.030) * 1e9).astype(np.int64)
    echo = Echo(int(40.0 * 1e9), int(40.010 * 1e9), int((40.005 - 10.0) * 1e6))
    fit = fit_clock(1, tick_us, arrival_ns, 1.0, (echo,))
    assert fit.constant_u_s == pytest.approx(0.005)
    assert fit.monotonic_ns(tick_us)[0] / 1e9 == pytest.approx(10.0, abs=0.001)


def test_a_short_recording_takes_no_skew_from_noise():
    tick_us = np.arange(0, 5_000_000, 250_000)
    arrival_ns = tick_us * 1000 + np.random.default_rng(2).integers(0, 9_000_000, len(tick_us))
    assert fit_clock(1, tick_us, arrival_ns).skew == 0.0
