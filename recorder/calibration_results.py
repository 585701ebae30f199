"""From measured stretches and known values to a calibration with its uncertainty (JCGM 100)."""

from collections.abc import Sequence
from dataclasses import asdict, dataclass

from recorder.calibration import Calibration, Component, Uncertainty, combined, line_through, rectangular
from recorder.calibration_file import KnownCalibration
from recorder.errors import InputError
from recorder.measuring import Measured, hold_steady
from recorder.sensors import CLAMP_ON_CANNOT, ClampOn

ICE_POINT_DEGC, ICE_POINT_U95_K = 0.0, 0.1
"""Crushed ice in water, stirred (common practice, no source)."""
ATMOSPHERE_U95_KPA = 3.0
"""Weather about the standard atmosphere (common practice, no source)."""
FAR = {"pressure": 50.0, "temperature": 3.0}
"""A zero that is further off, in kPa and K, is not a sensor's drift (common practice, no source)."""
CLAMP_DRIFT_SHARE = 0.02
"""Share of the two points' distance that a clamp may drift within a stretch (common practice, no source)."""
AT_ONE_POINT = "Found at one point: it says nothing of the sensor's gain."
AT_TWO_POINTS = "Two points say nothing of what lies between them: half of the stated accuracy is kept for that."


@dataclass(frozen=True, slots=True)
class Known:
    """A value that is known from elsewhere, with its expanded uncertainty (k = 2)."""

    value: float
    u95: float = 0.0


@dataclass(frozen=True, slots=True)
class Result:
    """A calibration, what the sensor read at the known value before it, and where the uncertainty comes from."""

    known: KnownCalibration
    error: float
    uncertainty: Uncertainty


def measured_components(measured: Measured, gain: float) -> list[Component]:
    """Where the uncertainty of a measured mean comes from, in the corrected unit."""
    scale = abs(gain)
    return [
        Component("scatter of the readings", scale * measured.mean.u, measured.mean.dof),
        Component("drift within the stretch", rectangular(scale * abs(measured.mean.drift) / 2.0)),
        Component("step of the readings", rectangular(scale * measured.resolution / 2.0)),
    ]


def one_point(measured: Measured, reference: Known, method: str, on: str) -> Result:
    """Correct the zero so that the channel reads a known value; an earlier gain is kept.

    Raises
    ------
    InputError
        If the readings drift, or are so far off that something else must be wrong.
    """
    channel, earlier = measured.channel, measured.channel.calibration
    if isinstance(channel.conversion, ClampOn) and earlier is None:
        raise InputError(f"channel '{channel.id}': a clamp-on sensor needs two known points before its zero.")
    hold_steady(measured)
    gain = 1.0 if earlier is None else earlier.gain
    error = measured.corrected - reference.value
    far = FAR.get(channel.quantity)
    if far is not None and abs(error) > far:
        raise InputError(
            f"channel '{channel.id}' reads {measured.corrected:.4g} {channel.unit} where {reference.value:.4g} is "
            f"expected. That is no sensor's drift: is pressure still on it, is the probe where it should be, is the "
            "reference right? Nothing was stored."
        )
    uncertainty = combined([*measured_components(measured, gain), Component("the known value", reference.u95 / 2.0)])
    low, high, u95 = reference.value, reference.value, uncertainty.expanded
    if earlier is not None and earlier.spans:
        low, high, u95 = earlier.low, earlier.high, (earlier.u95**2 + u95**2) ** 0.5
    zero = reference.value - gain * measured.mean.value
    note = AT_ONE_POINT if low == high else earlier.note if earlier else ""
    calibration = Calibration(gain, zero, on, method, u95, low, high, note)
    return Result(_known(measured, calibration, [(measured, reference)], uncertainty), error, uncertainty)


def through_points(points: Sequence[tuple[Measured, Known]], on: str) -> Result:
    """Gain and zero through two known points or more; the uncertainty is the larger one of the two ends.

    Raises
    ------
    InputError
        If the points do not differ, or the readings drift.
    """
    first = points[0][0]
    line = line_through([m.mean.value for m, _ in points], [k.value for _, k in points], [1.0] * len(points))
    clamp = isinstance(first.channel.conversion, ClampOn)
    span = max(m.mean.value for m, _ in points) - min(m.mean.value for m, _ in points)
    for measured, _ in points:
        hold_steady(measured, CLAMP_DRIFT_SHARE * span if clamp else None)
    parts = [
        [*measured_components(measured, line.gain), Component("the known value", known.u95 / 2.0)]
        for measured, known in points
    ]
    weighed = line_through(
        [m.mean.value for m, _ in points],
        [k.value for _, k in points],
        [combined(components).u for components in parts],
    )
    ends = sorted(range(len(points)), key=lambda index: points[index][1].value)
    ends = [ends[0], ends[-1]]
    if len(points) == 2:
        worst = max((combined(parts[end]) for end in ends), key=lambda u: u.expanded)
    else:
        at_ends = [weighed.u_at(points[end][0].mean.value) for end in ends]
        worst = combined([Component("line through the points", max(at_ends), len(points) - 2)])
    calibration = Calibration(
        weighed.gain,
        weighed.zero - weighed.gain * weighed.about,
        on,
        "two_point",
        worst.expanded,
        points[ends[0]][1].value,
        points[ends[1]][1].value,
        CLAMP_ON_CANNOT if clamp else AT_TWO_POINTS,
    )
    error = max((m.corrected - k.value for m, k in points), key=abs)
    return Result(_known(first, calibration, points, worst), error, worst)


def compared(one: Measured, other: Measured) -> tuple[float, Uncertainty]:
    """How much ``one`` reads above ``other``, both with the calibration in use, and the uncertainty of that.

    Raises
    ------
    InputError
        If they differ in quantity or zero, or drift.
    """
    a, b = one.channel, other.channel
    if (a.quantity, a.reference) != (b.quantity, b.reference):
        raise InputError(f"'{a.id}' and '{b.id}' do not measure the same: they cannot be compared.")
    parts: list[Component] = []
    for measured in (one, other):
        hold_steady(measured)
        known = measured.channel.calibration
        parts += measured_components(measured, 1.0 if known is None else known.gain)
    return one.corrected - other.corrected, combined(parts)


def verdict(difference: float, uncertainty: Uncertainty, one: Measured, other: Measured) -> str:
    """Whether two probes agree within what they state of themselves (guard band of JCGM 106)."""
    stated = [m.channel.accuracy for m in (one, other)]
    if None in stated:
        return "cannot tell whether that is much: one of them states no accuracy"
    allowed = sum(value or 0.0 for value in stated)
    if abs(difference) + uncertainty.expanded <= allowed:
        return f"they agree: their accuracies allow {allowed:.2g} {one.channel.unit}"
    if abs(difference) - uncertainty.expanded > allowed:
        return f"they do not agree: their accuracies allow {allowed:.2g} {one.channel.unit}; one of them is wrong"
    return f"cannot tell: it lies at the edge of the {allowed:.2g} {one.channel.unit} that their accuracies allow"


def adopted(one: Measured, other: Measured, on: str) -> Result:
    """Correct ``other`` so that it reads as ``one`` does, with the accuracy of ``one`` in the uncertainty.

    Raises InputError if ``one`` states no accuracy.
    """
    difference, uncertainty = compared(one, other)
    half_width = one.channel.accuracy
    if half_width is None:
        raise InputError(f"'{one.channel.id}' states no accuracy: it cannot be the one to go by.")
    of_one = combined([Component("scatter", uncertainty.u), Component("accuracy", rectangular(half_width))])
    result = one_point(other, Known(one.corrected, 2.0 * of_one.u), "comparison", on)
    return Result(result.known, -difference, result.uncertainty)


def _known(
    measured: Measured,
    calibration: Calibration,
    points: Sequence[tuple[Measured, Known]],
    uncertainty: Uncertainty,
) -> KnownCalibration:
    read = [(m.mean.value, k.value, k.u95, m.mean.samples) for m, k in points]
    about = {
        "points": [dict(zip(("read", "known", "known_u95", "readings"), row, strict=True)) for row in read],
        "components": [asdict(c) | {"dof": c.dof if c.dof < 1e9 else None} for c in uncertainty.components],
        "k": uncertainty.k,
    }
    channel = measured.channel
    return KnownCalibration(measured.node, channel.sent_as or channel.id, channel.serial_number, calibration, about)
