"""The command ``calibrate``: zero check, two known points, ice bath, comparison; stored with date and uncertainty."""

import math
import re
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from recorder.errors import InputError

if TYPE_CHECKING:
    from recorder.calibration_file import KnownCalibration
    from recorder.calibration_results import Known, Result
    from recorder.measuring import Measured
    from recorder.recording import Recording

GENERAL_CAUTION = (
    "Engine off, ignition off. Eye and hand protection: refrigerant burns. The vehicle maker's instructions, local "
    "codes and licensed practice come first."
)
CAUTIONS = {
    "zero": "Only with the hose off the vehicle and its pressure safely gone: close the coupler, recover what is in "
    "the hose (never vent it), take the hose off, then leave the sensor's port open to the air. Never open a port "
    "under pressure.",
    "two_point": "Known pressures come from a gauge on the same tee or from a vehicle that has stood for hours. Never "
    "heat a cylinder; never use oxygen or air; nitrogen only through a regulator and within the rating of every part. "
    "A hot engine bay burns; a fan can start by itself.",
    "ice_bath": "Keep plugs, node and supply dry. Crushed ice with just enough water, stirred; the tip in the middle, "
    "off the walls, for three minutes or more. Take the probe off the vehicle: no water near a hot or live part.",
    "comparison": "Temperature probes tied tip to tip in one stirred bath or one stream of air; pressure sensors on "
    "one tee, or at rest once both sides have met. Keep clear of belt and fan; surfaces may be hot.",
}
_POINT = re.compile(
    r"^\s*(?P<value>[-+]?[\d.]+(?:[eE][-+]?\d+)?)\s*(?:(?:\+-|±|\+/-)\s*(?P<u95>[\d.]+))?"
    r"(?:@(?P<from>[\d.]+):(?P<to>[\d.]+))?\s*$"
)

source_argument = click.argument("source")
channel_option = click.option("--channel", required=True, help="Which channel: vent, or node:vent.")
stretch_option = click.option("--stretch", help="Of a recording: seconds from its start, as 10:40 (default: all).")
for_option = click.option(
    "--for", "for_s", type=float, default=20.0, show_default=True, help="Of a node: listen for so many seconds."
)
file_option = click.option(
    "--file",
    "file",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Calibration file (default: in the user's data folder).",
)


def calibrations_path() -> Path:
    """Where calibrations are kept: beside the recordings, in the user's data folder."""
    from recorder.files import CALIBRATIONS_FILE
    from recorder.store import default_folder

    return default_folder() / CALIBRATIONS_FILE


def known_calibrations(file: Path | None = None) -> "tuple[KnownCalibration, ...]":
    """The calibrations that are known: of that file, else of the user's own."""
    from recorder.calibration_file import read_calibrations

    return read_calibrations(file or calibrations_path())


def calibrations_of(file: Path) -> "tuple[KnownCalibration, ...]":
    """The calibrations of a file; raises InputError where there is none or it cannot be read."""
    if not file.exists():
        raise InputError(f"{file}: there is no such calibration file.")
    return known_calibrations(file)


def _say(text: str) -> None:
    click.echo(text, err=True)


def _point(text: str) -> "tuple[Known, tuple[float, float] | None]":
    """Read ``612+-6@300:330``: a known value, its uncertainty, and the stretch of a recording where it stood."""
    from recorder.calibration_results import Known

    found = _POINT.match(text)
    if found is None:
        raise InputError(f"'{text}': write a known value as 612+-6, or 612+-6@300:330 with seconds of a recording.")
    span = (float(found["from"]), float(found["to"])) if found["from"] else None
    if span is not None and not span[0] < span[1]:
        raise InputError(f"'{text}': the stretch must end after it begins.")
    return Known(float(found["value"]), float(found["u95"] or 0.0)), span


def _span(text: str | None) -> tuple[float, float]:
    if text is None:
        return float("-inf"), float("inf")
    span = _point(f"0@{text}")[1]
    assert span is not None
    return span


class _Source:
    """A recording's folder, or the address of a live node that is listened to anew for each stretch."""

    def __init__(self, source: str, for_s: float, known: "tuple[KnownCalibration, ...]") -> None:
        self._source, self._for_s, self._known = source, for_s, known
        self.live = not Path(source).is_dir()
        self._heard: Recording | None = None

    def ask(self, text: str) -> None:
        """Let the technician set a point; a recording needs no asking."""
        if self.live:
            click.prompt(f"{text} Press Enter when it stands", default="", show_default=False, err=True)

    def read(self, wanted: str, span: tuple[float, float], *, anew: bool = True) -> "Measured":
        """Measure a channel over a stretch, with the calibrations that are known."""
        from recorder.measuring import listen, stretch
        from recorder.recording import open_recording

        if self._heard is None or (self.live and anew):
            if self.live:
                _say(f"Listening to {self._source} for {self._for_s:g} s ...")
            self._heard = listen(self._source, self._for_s) if self.live else open_recording(Path(self._source))
        return stretch(_with_known(self._heard, self._known), wanted, *span)


def _with_known(recording: "Recording", known: "tuple[KnownCalibration, ...]") -> "Recording":
    from recorder.recalibration import recalibrated

    try:
        return recalibrated(recording, known)
    except InputError:  # none of them is of a sensor in it
        return recording


def _now() -> str:
    return datetime.now(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")


def _keep(result: "Result", file: Path | None, words: str) -> None:
    """Tell a result and add it to the calibration file."""
    from recorder.calibration_file import file_values, read_calibrations
    from recorder.sealing import write_json

    path = file or calibrations_path()
    known = result.known
    path.parent.mkdir(parents=True, exist_ok=True)
    write_json(path, file_values((*read_calibrations(path), known)))
    _say("Uncertainty, standard, by source: " + "; ".join(f"{c.name} {c.u:.2g}" for c in result.uncertainty.components))
    if known.serial_number is None:
        _say(f"The node states no serial number for '{known.channel}': this holds until another sensor is put there.")
    if known.calibration.note:
        _say(known.calibration.note)
    _say(f"Stored in {path}; the next recordings use it. For an earlier one: --calibration {path}")
    click.echo(words)


def _caution(method: str) -> None:
    _say(CAUTIONS[method])
    _say(GENERAL_CAUTION)


@click.group("calibrate")
def calibrate() -> None:
    """Check sensors against known points and keep the corrections, with date and uncertainty.

    SOURCE is a live node (a serial port or another address) or a recording's folder.

    \b
    Example:
      warmspell calibrate zero /dev/ttyACM0 --channel low_side
    """


def _options(*options: Callable[[Any], Any]) -> Callable[[Any], Any]:
    def decorate(command: Any) -> Any:
        for option in reversed(options):
            command = option(command)
        return command

    return decorate


@calibrate.command()
@_options(source_argument, channel_option, stretch_option, for_option, file_option)
@click.option("--barometer", help="Air pressure now in kPa absolute, as 98.4+-0.3: for an absolute or a sealed sensor.")
def zero(
    source: str, channel: str, stretch: str | None, for_s: float, file: Path | None, barometer: str | None
) -> None:
    """Zero check of a pressure sensor that is open to the air.

    \b
    Example:
      warmspell calibrate zero /dev/ttyACM0 --channel low_side
    """
    from recorder.calibration_results import one_point

    _caution("zero")
    node = _Source(source, for_s, known_calibrations(file))
    if node.live and not click.confirm("Is the hose off, its pressure gone and the port open to the air?", err=True):
        raise InputError("nothing was measured: the sensor must be open to the air.")
    measured = node.read(channel, _span(stretch))
    result = one_point(measured, _open_air(measured, barometer), "zero", _now())
    _keep(result, file, _told(result, measured))


def _open_air(measured: "Measured", barometer: str | None) -> "Known":
    """What a pressure sensor should read in open air."""
    from recorder.calibration_results import Known

    channel = measured.channel
    if channel.quantity != "pressure":
        raise InputError(f"channel '{channel.id}' is no pressure; use the ice bath or a comparison.")
    if channel.reference == "vented_gauge":
        return Known(0.0)
    if barometer is None:
        raise InputError(f"channel '{channel.id}' is {channel.reference}: state --barometer 98.4+-0.3 (kPa).")
    air = _point(barometer)[0]
    return Known(air.value - (channel.sealed_at_kpa or 0.0), air.u95)


def _told(result: "Result", measured: "Measured") -> str:
    from recorder.sensors import ClampOn

    unit, c = measured.channel.unit, result.known.calibration
    u95 = result.uncertainty.expanded
    correction = f"{c.zero:+.{_decimals(u95)}f} {unit}"
    if c.gain != 1.0:
        correction = f"{c.gain:.6g} x reading {correction}"
    if measured.channel.calibration is None and isinstance(measured.channel.conversion, ClampOn):
        return (
            f"{result.known.node} {result.known.channel}: reads {unit} from now on, {correction}, "
            f"± {u95:.{_decimals(u95)}f} {unit} (95 %) at its known points"
        )
    return (
        f"{result.known.node} {result.known.channel}: off by {_rounded(result.error, u95)} {unit} (95 %); "
        f"from now on corrected by {correction}"
    )


def _decimals(u95: float) -> int:
    """Decimals that show two digits of an uncertainty (JCGM 100, 7.2.6)."""
    return max(0, 1 - math.floor(math.log10(u95))) if u95 > 0.0 else 3


def _rounded(value: float, u95: float) -> str:
    return f"{value:+.{_decimals(u95)}f} ± {u95:.{_decimals(u95)}f}"


@calibrate.command("two-point")
@_options(source_argument, channel_option, for_option, file_option)
@click.option(
    "--point",
    "points",
    multiple=True,
    required=True,
    help="A known value, as 612+-6; of a recording 612+-6@300:330 (seconds).",
)
def two_point(source: str, channel: str, for_s: float, file: Path | None, points: tuple[str, ...]) -> None:
    """Gain and zero from two known points or more, also of a clamp-on sensor where it sits.

    One point may be the saturation pressure of a vehicle that has soaked for hours: take it from a table for that
    refrigerant at the soak temperature, and an uncertainty that covers 1 K or more.

    \b
    Example:
      warmspell calibrate two-point /dev/ttyACM0 --channel high_side --point 0+-1 --point 571+-18
    """
    from recorder.calibration_results import through_points

    _caution("two_point")
    read = [_point(text) for text in points]
    if len(read) < 2:
        raise InputError("two known points are needed: give --point twice.")
    node = _Source(source, for_s, known_calibrations(file))
    pairs: list[tuple[Measured, Known]] = []
    for value, span in read:
        if not node.live and span is None:
            raise InputError(f"say where in the recording {value.value:g} stood: --point {value.value:g}+-1@300:330.")
        node.ask(f"Known value {value.value:g}.")
        pairs.append((node.read(channel, span or _span(None)), value))
    result = through_points(pairs, _now())
    _keep(result, file, _told(result, pairs[0][0]))


@calibrate.command()
@_options(source_argument, channel_option, stretch_option, for_option, file_option)
def ice(source: str, channel: str, stretch: str | None, for_s: float, file: Path | None) -> None:
    """Temperature probe in an ice bath (0.0 ± 0.1 degC).

    \b
    Example:
      warmspell calibrate ice /dev/ttyACM0 --channel vent
    """
    from recorder.calibration_results import ICE_POINT_DEGC, ICE_POINT_U95_K, Known, one_point

    _caution("ice_bath")
    node = _Source(source, for_s, known_calibrations(file))
    node.ask("The probe in the ice bath.")
    measured = node.read(channel, _span(stretch))
    if measured.channel.quantity != "temperature":
        raise InputError(f"channel '{measured.channel.id}' is no temperature.")
    result = one_point(measured, Known(ICE_POINT_DEGC, ICE_POINT_U95_K), "ice_bath", _now())
    _keep(result, file, _told(result, measured))


@calibrate.command()
@_options(source_argument, stretch_option, for_option, file_option)
@click.argument("channels", nargs=2, metavar="CHANNEL CHANNEL")
@click.option("--adopt", is_flag=True, help="Correct the second channel so that it reads as the first one does.")
def compare(
    source: str, stretch: str | None, for_s: float, file: Path | None, channels: tuple[str, str], *, adopt: bool
) -> None:
    """Compare two probes at the same place; with --adopt the second is corrected to the first.

    \b
    Example:
      warmspell calibrate compare /dev/ttyACM0 vent vent_2
    """
    from recorder.calibration_results import adopted, compared, verdict

    _caution("comparison")
    node = _Source(source, for_s, known_calibrations(file))
    node.ask("Both probes at one place.")
    one = node.read(channels[0], _span(stretch))
    other = node.read(channels[1], _span(stretch), anew=False)
    difference, uncertainty = compared(one, other)
    words = (
        f"{channels[0]} less {channels[1]}: {_rounded(difference, uncertainty.expanded)} {one.channel.unit} (95 %); "
        f"{verdict(difference, uncertainty, one, other)}"
    )
    if adopt:
        _keep(adopted(one, other, _now()), file, words)
    else:
        click.echo(words)


@calibrate.command("list")
@file_option
def list_(file: Path | None) -> None:
    """Every calibration that is kept, oldest first.

    \b
    Example:
      warmspell calibrate list
    """
    from recorder.calibration import METHODS

    for entry in sorted(known_calibrations(file), key=lambda entry: entry.calibration.on):
        c = entry.calibration
        sensor = f"{entry.node} {entry.channel} {entry.serial_number or '(no serial number)'}"
        line = f"{c.gain:.6g} x + {c.zero:.6g}, ± {c.u95:.2g} from {c.low:g} to {c.high:g}"
        click.echo(f"{c.on}  {sensor}  {METHODS[c.method]}: {line}")
