"""The recorder's commands: find, record, mark, seal, check, import, replay (``calibrate`` has its own file)."""

import contextlib
from pathlib import Path
from typing import TYPE_CHECKING

import click

from recorder.calibrate import calibrate, known_calibrations
from recorder.errors import InputError
from recorder.jobsheet import MARK_KINDS, JobSheet, read_job_sheet

if TYPE_CHECKING:
    from recorder.calibration_file import KnownCalibration

RECORD_CAUTIONS = """\
Before you record: eye and hand protection; refrigerant burns and, with R-1234yf or R-152a, no flame or spark nearby.
Fit sensors with the engine off, leak-check the couplers, keep hoses and leads clear of belt, fan and exhaust: a fan can
start by itself. Use parts rated for this refrigerant's pressure. On the road a passenger watches, never the driver;
no customer drives with hoses fitted. The vehicle maker's instructions, local codes and licensed practice come first."""

job_option = click.option(
    "--job",
    "job_file",
    type=click.Path(path_type=Path),
    help="Job sheet: a JSON or TOML file.",
)
calibration_option = click.option(
    "--calibration",
    "calibration_file",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Read the sensors anew with the calibrations of this file; what is sealed stays as it is.",
)
out_option = click.option(
    "--out",
    type=click.Path(path_type=Path, file_okay=False),
    help="Folder that receives the recording's own folder (default: the user's data folder).",
)


def say(text: str) -> None:
    """Tell a person something, on standard error; where nobody listens any more the work goes on."""
    with contextlib.suppress(OSError):
        click.echo(text, err=True)


def seconds_of(text: str) -> float:
    """Read a duration such as 90s, 40m or 2h [s]; raises InputError where it is none."""
    units = {"s": 1.0, "m": 60.0, "h": 3600.0}
    number, unit = (text[:-1], text[-1:]) if text[-1:] in units else (text, "s")
    try:
        value = float(number) * units[unit]
    except ValueError:
        value = -1.0
    if not 0 < value <= 7 * 86400:
        raise InputError(f"--for {text}: write a duration such as 90s, 40m or 2h.")
    return value


def _duration(_context: click.Context, _option: click.Parameter, text: str | None) -> float | None:
    return None if text is None else seconds_of(text)


def bytes_of(text: str) -> int:
    """Read a size such as 500MB or 2GB [bytes]; raises InputError where it is none of a megabyte or more."""
    units = {"KB": 1e3, "MB": 1e6, "GB": 1e9, "TB": 1e12}
    number, unit = text[:-2], text[-2:].upper()
    try:
        value = float(number) * units[unit]
    except (ValueError, KeyError):
        value = -1.0
    if not 1e6 <= value < 1e15:
        raise InputError(f"--cap {text}: write a size of at least a megabyte such as 500MB or 2GB.")
    return int(value)


def _size(_context: click.Context, _option: click.Parameter, text: str | None) -> int | None:
    return None if text is None else bytes_of(text)


def _job(job_file: Path | None) -> JobSheet:
    return read_job_sheet(job_file) if job_file else JobSheet()


@click.command()
@click.argument("addresses", nargs=-1, metavar="[ADDRESS]...")
def find(addresses: tuple[str, ...]) -> None:
    """List the nodes that are there: at the ADDRESSes named, else on all serial ports and BLE.

    Every port is opened and asked; that can restart a device that is no node. A Modbus device cannot be found without
    its register map: name it (modbus:map.toml), and it is asked. Takes at most half a minute.

    \b
    Example:
      warmspell find
    """
    import asyncio

    from recorder.survey import as_table, survey

    seen = asyncio.run(survey(list(addresses), radio=not addresses))
    for remark in seen.remarks:
        say(remark)
    if seen.found:
        click.echo(as_table(seen.found))
        answering = [found.address for found in seen.found if found.answers]
        if answering:
            say(f"Record with: warmspell record {' '.join(answering)}")


@click.command()
@click.argument("addresses", nargs=-1, required=True, metavar="ADDRESS...")
@job_option
@out_option
@click.option("--for", "for_s", callback=_duration, help="Stop after this time: 90s, 40m, 2h.")
@click.option(
    "--place", "placed", multiple=True, help="A channel clipped on elsewhere: bay/vent=return_air; nowhere: =unused."
)
@click.option("--unattended", is_flag=True, help="Start when nodes appear, seal when they fall silent, start anew.")
@click.option("--quiet", "quiet_s", callback=_duration, help="Unattended: silence that ends a recording (default 60s).")
@click.option("--cap", "cap_bytes", callback=_size, help="Stop once all recordings of the folder take so much: 2GB.")
def record(
    addresses: tuple[str, ...],
    job_file: Path | None,
    out: Path | None,
    for_s: float | None,
    placed: tuple[str, ...],
    unattended: bool,
    quiet_s: float | None,
    cap_bytes: int | None,
) -> None:
    """Record the nodes at ADDRESS... until Ctrl-C or their end, then seal.

    An address is a serial port, or what 'warmspell find' prints: ble:..., ess:..., nmea:..., senml:...,
    modbus:map.toml, socket://host:port. A full disk or a reached cap stops recording; nothing is ever deleted for room.

    \b
    Example:
      warmspell record /dev/ttyACM0 ble:00:00:5E:00:53:01 --job bus7.toml --for 40m
    """
    from recorder import acquire
    from recorder.assignment import assignment_from
    from recorder.clock import HostClock
    from recorder.links import link_to
    from recorder.store import RecordingStore, Room, default_folder

    links = [link_to(address) for address in addresses]
    for absent in () if unattended else filter(None, (link.absent for link in links)):
        raise InputError(absent)
    job, places = _job(job_file), tuple(assignment_from(text) for text in placed)
    say(RECORD_CAUTIONS)
    if job.refrigerant is None:
        say("No refrigerant is stated: pass a job sheet with --job, now or to 'analyse' and 'report' later.")
    folder, room = out or default_folder(), Room(cap_bytes)

    def make_store(host: HostClock) -> RecordingStore:
        return RecordingStore(folder, job, host, room, _calibrations(), places)

    if unattended:
        say("Waiting for the nodes; Ctrl-C ends it.")
        acquire.unattended(
            links,
            acquire.store_maker(make_store, job, say),
            quiet_s or acquire.QUIET_S,
            for_s,
            say,
            lambda store: click.echo(str(store.folder)),
        )
        return
    store = make_store(HostClock.start())
    say(f"Recording into {store.folder}. Mark moments with: warmspell mark KIND --recording {store.folder}")
    acquire.attended(links, store, for_s, say)
    click.echo(str(store.folder))


def _calibrations() -> "tuple[KnownCalibration, ...]":
    """The calibrations that are known; a drive is recorded even where their file is damaged."""
    try:
        return known_calibrations()
    except InputError as reason:
        say(f"{reason} Recording without it: what sensors send is kept, calibrations can be applied later.")
        return ()


@click.command()
@click.argument("kind", type=click.Choice(MARK_KINDS))
@click.argument("text", required=False, default="")
@click.option("--recording", type=click.Path(path_type=Path), help="The recording under way (default: the newest one).")
@out_option
def mark(kind: str, text: str, recording: Path | None, out: Path | None) -> None:
    """Mark this moment in a recording under way.

    \b
    Example:
      warmspell mark complaint "warm at the lights"
    """
    from recorder.clock import HostClock
    from recorder.files import LIFELESS_S, OPENING_FILE
    from recorder.marks import Mark, append_mark
    from recorder.recording import read_opening
    from recorder.store import default_folder, newest_under_way, silent_for_s

    folder = recording or newest_under_way(out or default_folder())
    if not (folder / OPENING_FILE).exists():
        raise InputError(f"{folder}: no recording is under way there.")
    silent_s = silent_for_s(folder)
    if silent_s > LIFELESS_S:
        raise InputError(
            f"{folder}: its recorder gave its last sign of life {silent_s:.0f} s ago; nothing was marked. "
            f"Seal it with: warmspell seal {folder}"
        )
    now_ns = HostClock.now_ns()
    append_mark(folder, Mark(read_opening(folder).host.to_utc_ns(now_ns), kind, text, now_ns))
    say(f"Marked '{kind}' in {folder.name}.")


@click.command()
@click.argument("recording", type=click.Path(path_type=Path))
def seal(recording: Path) -> None:
    """Seal a recording that was cut off, so that later changes to it show.

    \b
    Example:
      warmspell seal recordings/2026-07-14T091203-minibus-7
    """
    from recorder.recording import open_recording, short_digest
    from recorder.sealing import seal as seal_folder
    from recorder.store import software

    digest = seal_folder(recording, software())
    for remark in open_recording(recording).remarks:
        say(remark)
    say(f"Sealed. Digest {short_digest(digest)} - note it on the order, so that it can be shown later.")
    click.echo(digest)


@click.command()
@click.argument("recording", type=click.Path(path_type=Path))
def check(recording: Path) -> None:
    """Verify every hash of a sealed recording or of a bundle; names what is missing or was altered (exit status 1).

    \b
    Example:
      warmspell check recordings/2026-07-14T091203-minibus-7
      warmspell check claim/bundle.zip
    """
    from recorder.recording import open_recording, short_digest
    from recorder.sealing import extra_files

    if recording.is_file() and recording.suffix.lower() == ".zip":
        _check_bundle(recording)
        return
    opened = open_recording(recording)
    for sentence in opened.damage:
        click.echo(sentence)
    if not opened.sealed:
        raise InputError(f"{recording}: is not sealed. Seal it with: warmspell seal {recording}")
    if opened.damage:
        raise InputError(f"{recording}: not intact.")
    for remark in opened.remarks:
        say(remark)
    for name in extra_files(recording):
        say(f"{name} stands beside the recording; the seal does not speak of it.")
    click.echo(f"intact, digest {short_digest(opened.digest or '')}")
    if opened.chain_digest is not None:
        count = len(opened.amendments)
        click.echo(f"{count} amendment{'s' if count > 1 else ''} since, digest {short_digest(opened.chain_digest)}")


def _check_bundle(path: Path) -> None:
    from recorder.bundle import check_bundle
    from recorder.recording import short_digest

    found = check_bundle(path)
    for sentence in found.damage:
        click.echo(sentence)
    if found.damage:
        raise InputError(f"{path}: not intact.")
    for folder, digest in found.recording_digests.items():
        click.echo(f"intact, {folder} digest {short_digest(digest or '')}")
    click.echo(f"bundle digest {short_digest(found.digest or '')}")


@click.command("import")
@click.argument("file", type=click.Path(path_type=Path), metavar="CSV")
@job_option
@out_option
@click.option("--map", "entries", multiple=True, help='For other headers: "Suction=low_side [psig]".')
def import_(file: Path, job_file: Path | None, out: Path | None, entries: tuple[str, ...]) -> None:
    """Bring a CSV in as a sealed recording; prints its folder.

    The first column is time_s (or an ISO 8601 time), every other header is 'place [unit]'.

    \b
    Example:
      warmspell import drive.csv --job bus7.json --map "Suction=low_side [psig]"
    """
    from recorder.importer import import_csv, parse_map
    from recorder.recording import open_recording
    from recorder.store import default_folder

    folder = import_csv(file, _job(job_file), out or default_folder(), parse_map(entries))
    for remark in open_recording(folder).remarks:
        say(f"{remark}; what was sent is kept raw.")
    click.echo(str(folder))


@click.command()
@click.argument("recording", type=click.Path(path_type=Path))
@click.option("--speed", type=float, default=1.0, show_default=True, help="Times real time; the node declares it.")
@click.option("--tcp", is_flag=True, help="Speak on a TCP port although this system has pseudo-terminals.")
def replay(recording: Path, speed: float, tcp: bool) -> None:
    """Play a recording as a node on a serial line; prints the port to record from.

    \b
    Example:
      warmspell replay recordings/minibus-7-before --speed 20
    """
    from recorder.recording import open_recording
    from recorder.replay import TcpLine, best_line
    from recorder.replay import replay as play

    line = TcpLine() if tcp else best_line()
    try:
        done = play(open_recording(recording), speed, line, click.echo)
    except OSError as reason:
        raise InputError(f"{line.name}: the line was lost ({reason}).") from None
    finally:
        line.close()
    if not done:
        raise InputError(f"{line.name}: nobody recorded to the end.")


COMMANDS = (find, record, mark, seal, check, calibrate, import_, replay)
