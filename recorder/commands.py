"""The recorder's commands: record, mark, seal, check, import, replay (``calibrate`` has its own file)."""

import asyncio
import signal
import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import click

from recorder.calibrate import calibrate, known_calibrations
from recorder.errors import InputError
from recorder.jobsheet import MARK_KINDS, JobSheet, read_job_sheet

if TYPE_CHECKING:
    from recorder.calibration_file import KnownCalibration
    from recorder.session import NodeState, Session

RECORD_CAUTIONS = """\
Before you record: eye and hand protection; refrigerant burns and, with R-1234yf or R-152a, no flame or spark nearby.
Fit sensors with the engine off, leak-check the couplers, keep hoses and leads clear of belt, fan and exhaust: a fan can
start by itself. Use parts rated for this refrigerant's pressure. On the road a passenger watches, never the driver;
no customer drives with hoses fitted. The vehicle maker's instructions, local codes and licensed practice come first."""

LIFELESS_S = 15.0
"""A recorder that wrote nothing for longer is not running any more."""

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
    """Tell a person something, on standard error."""
    click.echo(text, err=True)


def seconds_of(text: str) -> float:
    """Read a duration such as 90s, 40m or 2h."""
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


def _job(job_file: Path | None) -> JobSheet:
    return read_job_sheet(job_file) if job_file else JobSheet()


def status_line(nodes: "list[NodeState]", elapsed_s: float) -> str:
    """One line on all nodes of a recording under way."""
    told = [f"{node.name or node.address}: {node.state}, {node.frames} frames" for node in nodes]
    return f"{int(elapsed_s) // 60:d}:{int(elapsed_s) % 60:02d}  " + "  |  ".join(told)


@click.command()
@click.argument("addresses", nargs=-1, required=True, metavar="PORT...")
@job_option
@out_option
@click.option("--for", "for_s", callback=_duration, help="Stop after this time: 90s, 40m, 2h.")
def record(addresses: tuple[str, ...], job_file: Path | None, out: Path | None, for_s: float | None) -> None:
    """Record the nodes on PORT (a serial port or socket://host:port) until Ctrl-C or their end, then seal.

    \b
    Example:
      warmspell record /dev/ttyACM0 --job bus7.toml --for 40m
    """
    from recorder.clock import HostClock
    from recorder.links import link_to
    from recorder.recording import short_digest
    from recorder.sealing import seal
    from recorder.session import Session
    from recorder.store import RecordingStore, default_folder, discard_empty, software

    links = [link_to(address) for address in addresses]
    for absent in filter(None, (link.absent for link in links)):
        raise InputError(absent)
    job = _job(job_file)
    say(RECORD_CAUTIONS)
    if job.refrigerant is None:
        say("No refrigerant is stated: pass a job sheet with --job, now or to 'analyse' and 'report' later.")
    store = RecordingStore(out or default_folder(), job, HostClock.start(), known=_calibrations())
    say(f"Recording into {store.folder}. Mark moments with: warmspell mark KIND --recording {store.folder}")
    show = _shower(store.host.now_ns)
    session = Session(store, links, show)
    asyncio.run(_until_stopped(session, for_s))
    if not any(node.frames for node in session.nodes):
        states = "; ".join(
            node.state if node.address in node.state else f"{node.address}: {node.state}" for node in session.nodes
        )
        discard_empty(store.folder)
        raise InputError(f"nothing was received, nothing was kept ({states}).")
    digest = seal(store.folder, software())
    say(f"\nSealed. Digest {short_digest(digest)} - note it on the order, so that it can be shown later.")
    click.echo(str(store.folder))


def _calibrations() -> "tuple[KnownCalibration, ...]":
    """The calibrations that are known; a drive is recorded even where their file is damaged."""
    try:
        return known_calibrations()
    except InputError as reason:
        say(f"{reason} Recording without it: what sensors send is kept, calibrations can be applied later.")
        return ()


def _shower(now_ns: Callable[[], int]) -> "Callable[[list[NodeState]], None]":
    started_ns = now_ns()

    def show(nodes: "list[NodeState]") -> None:
        if sys.stderr.isatty():
            click.echo(f"\r{status_line(nodes, (now_ns() - started_ns) / 1e9)}\x1b[K", nl=False, err=True)

    return show


async def _until_stopped(session: "Session", for_s: float | None) -> None:
    loop = asyncio.get_running_loop()
    for name in ("SIGINT", "SIGTERM"):
        number = getattr(signal, name, None)
        if number is not None and sys.platform != "win32":
            loop.add_signal_handler(number, session.stop)
    try:
        await session.run(for_s)
    except asyncio.CancelledError:  # Ctrl-C where the loop cannot take signals
        session.stop()


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
    from recorder.marks import Mark, append_mark
    from recorder.recording import OPENING_FILE, read_opening
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
    opening = read_opening(folder)
    now_ns = HostClock.now_ns()
    host = HostClock(int(opening["monotonic_ns"]), int(opening["utc_ns"]))
    append_mark(folder, Mark(host.to_utc_ns(now_ns), kind, text, now_ns))
    say(f"Marked '{kind}' in {folder.name}.")


@click.command()
@click.argument("recording", type=click.Path(path_type=Path))
def seal(recording: Path) -> None:
    """Seal a recording that was cut off, so that later changes to it show.

    \b
    Example:
      warmspell seal recordings/2026-07-14T091203-minibus-7
    """
    from recorder.recording import short_digest
    from recorder.sealing import seal as seal_folder
    from recorder.store import software

    digest = seal_folder(recording, software())
    say(f"Sealed. Digest {short_digest(digest)}")
    click.echo(digest)


@click.command()
@click.argument("recording", type=click.Path(path_type=Path))
def check(recording: Path) -> None:
    """Verify every hash of a sealed recording; names what is missing or was altered (exit status 1).

    \b
    Example:
      warmspell check recordings/2026-07-14T091203-minibus-7
    """
    from recorder.recording import open_recording, short_digest
    from recorder.sealing import extra_files

    opened = open_recording(recording)
    for sentence in opened.damage:
        click.echo(sentence)
    if not opened.sealed:
        raise InputError(f"{recording}: is not sealed. Seal it with: warmspell seal {recording}")
    if opened.damage:
        raise InputError(f"{recording}: not intact.")
    for name in extra_files(recording):
        say(f"{name} stands beside the recording; the seal does not speak of it.")
    click.echo(f"intact, digest {short_digest(opened.digest or '')}")


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
    for name, count in open_recording(folder).nodes[0]["counters"].items():
        if name.startswith("out_of_range_"):
            channel = name.removeprefix("out_of_range_")
            say(f"{channel}: {count} readings that no sensor can give are kept raw and count as missing.")
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


COMMANDS = (record, mark, seal, check, calibrate, import_, replay)
