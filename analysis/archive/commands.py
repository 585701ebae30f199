"""The commands over many recordings: list and screen."""

import sys
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from recorder.commands import say
from recorder.errors import InputError

if TYPE_CHECKING:
    import polars as pl

    from analysis.archive.screening import Screened, Spread

VERDICTS = ("fault_found", "no_fault_seen", "cannot_tell", "not_screened")
archive_argument = click.argument("archive", required=False, type=click.Path(path_type=Path))


def _kinds(_context: click.Context, _option: click.Parameter, asked: tuple[str, ...] | str | None) -> tuple[str, ...]:
    """Kinds of episode, spelled with spaces or hyphens too; checked here, since the list of them is slow to load."""
    kinds = (asked,) if isinstance(asked, str) else asked or ()
    if not kinds:
        return ()
    from analysis.findings import KINDS

    named = tuple(kind.strip().lower().replace("-", "_").replace(" ", "_") for kind in kinds)
    for kind in named:
        if kind not in KINDS:
            raise click.BadParameter(f"'{kind}' is no kind of episode. Known kinds: {', '.join(KINDS)}.")
    return named


def _day(_context: click.Context, _option: click.Parameter, text: str | None) -> date | None:
    try:
        return None if text is None else datetime.strptime(text, "%Y-%m-%d").date()  # noqa: DTZ007 - a day, no moment
    except ValueError:
        raise click.BadParameter(f"'{text}' is no date; write it as 2026-07-14.") from None


def _refrigerant(_context: click.Context, _option: click.Parameter, text: str | None) -> str:
    from recorder.jobsheet import job_sheet_from

    try:
        return job_sheet_from({"refrigerant": text}, "--refrigerant").refrigerant or "" if text else ""
    except InputError as reason:
        raise click.BadParameter(str(reason)) from None


def _folder(archive: Path | None) -> Path:
    if archive is None:
        from recorder.store import default_folder

        archive = default_folder()
    return archive.absolute()


@click.command("list")
@archive_argument
@click.option("--vehicle", default="", help="Words in vehicle, model, name or folder, upper and lower case alike.")
@click.option("--plate", default="", help="Plate, with or without spaces.")
@click.option("--refrigerant", default="", callback=_refrigerant, help="R-134a, R-1234yf, R-152a or R-744.")
@click.option("--verdict", type=click.Choice(VERDICTS), default=None, help="Verdict of the screening.")
@click.option("--kind", callback=_kinds, help="Kind of episode that was found, for example undercharge.")
@click.option("--from", "since", metavar="DATE", callback=_day, help="On this day (UTC) or later, as 2026-07-14.")
@click.option("--to", "until", metavar="DATE", callback=_day, help="On this day (UTC) or before.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON instead of a table.")
@click.option("--csv", "as_csv", is_flag=True, help="Print CSV instead of a table.")
def list_(
    archive: Path | None,
    vehicle: str,
    plate: str,
    refrigerant: str,
    verdict: str | None,
    kind: tuple[str, ...],
    since: date | None,
    until: date | None,
    *,
    as_json: bool,
    as_csv: bool,
) -> None:
    """List the recordings of a folder, newest first: ARCHIVE, else the usual one.

    Verdicts and kinds come from the last screening. An index beside the recordings (.archive) makes it fast; it can be
    deleted at any time.

    \b
    Example:
      warmspell list recordings --vehicle minibus --kind condenser_airflow_loss --from 2026-06-01
    """
    from analysis.archive import listing
    from analysis.archive.index import indexed
    from analysis.archive.kept import kept_findings

    if as_json and as_csv:
        raise click.UsageError("choose one of --json and --csv.")
    index = indexed(_folder(archive), say)
    whole = listing.listed(index, kept_findings(index.archive))
    asked = listing.Wanted(vehicle, plate, refrigerant, verdict or "", kind[0] if kind else "", since, until)
    table = listing.wanted(whole, asked)
    shown = listing.as_json if as_json else listing.as_csv if as_csv else listing.as_table
    if table.height or as_json or as_csv:
        click.echo(shown(table))
    for remark in [*index.remarks, *_remarks_of_list(index.archive, whole, table, asked)]:
        say(remark)


def _remarks_of_list(archive: Path, whole: "pl.DataFrame", table: "pl.DataFrame", asked: object) -> list[str]:
    """How many are shown, and which could not answer what was asked."""
    from analysis.archive.listing import Wanted

    assert isinstance(asked, Wanted)
    one = "recording" if whole.height == 1 else "recordings"
    told = [f"{table.height} of {whole.height} {one}." if table.height != whole.height else f"{whole.height} {one}."]
    undated = whole["started_at"].null_count()
    if undated and (asked.since or asked.until):
        told.append(f"{undated} state no date and lie between no dates.")
    unknown = whole["verdict"].null_count()
    if unknown and (asked.kind or asked.verdict):
        told.append(f"{unknown} have no verdict yet: warmspell screen {archive}")
    return told


@click.command()
@archive_argument
@click.option("--kind", "kinds", multiple=True, callback=_kinds, help="Only episodes of this kind. May be given often.")
@click.option(
    "--out", type=click.Path(path_type=Path, dir_okay=False), help="Also write the table here, as a Parquet file."
)
@click.option(
    "--patterns",
    "with_patterns",
    is_flag=True,
    help="Also tell which kinds go with which vehicles and conditions, beyond chance; with --out as tables beside it.",
)
@click.option("--cluster", metavar="ADDRESS", help="Work on a Dask cluster: its scheduler, as tcp://host:8786.")
def screen(
    archive: Path | None, kinds: tuple[str, ...], out: Path | None, cluster: str | None, *, with_patterns: bool
) -> None:
    """Analyse again what changed in an archive, or was analysed by another version; one table of all findings.

    The table has a row for each episode, and one for each recording without any or that could not be analysed: those
    are told and never stop the rest. What is done is kept beside the recordings (.archive), so that a screening that
    was stopped goes on where it was. The summary is counted over the table.

    \b
    Example:
      warmspell screen recordings --kind undercharge --patterns --out findings.parquet
    """
    from analysis.archive.index import indexed
    from analysis.archive.progress import Progress
    from analysis.archive.screening import of_kinds, summary
    from analysis.archive.screening import screen as screened
    from recorder.store import software

    index = indexed(_folder(archive), say, by_content=True)
    for remark in index.remarks:
        say(remark)
    progress = Progress(0, sys.stderr)
    try:
        result = screened(index, software(), _spread(index.archive, cluster), progress, say)
    except KeyboardInterrupt:
        progress.clear()
        say(f"Stopped; {progress.done} of {progress.total} were analysed. The next screening goes on from there.")
        raise
    table = of_kinds(result.table, kinds) if kinds else result.table
    if out is not None:
        _write(table, out)
    _tell_failed(result)
    click.echo(summary(table, result.analysed))
    if with_patterns:
        _tell_patterns(result.table, kinds, out)


def _spread(archive: Path, cluster: str | None) -> "Spread":
    if cluster is None:
        from functools import partial

        from analysis.processes import cores, over_cores

        return partial(over_cores, processes=cores())
    from analysis.archive.cluster import over_cluster

    return lambda work, items: over_cluster(cluster, archive, work, items)


def _write(table: "pl.DataFrame", out: Path) -> None:
    aside = out.with_name(out.name + ".aside")
    try:
        table.write_parquet(aside)
        aside.replace(out)
    except OSError as reason:
        raise InputError(f"{out}: the table cannot be written ({reason.strerror or reason}).") from None
    say(f"{out}")


def _tell_patterns(table: "pl.DataFrame", kinds: tuple[str, ...], out: Path | None) -> None:
    from analysis.archive.pattern_words import summary_of_patterns
    from analysis.archive.patterns import patterns_of, write_patterns
    from analysis.findings import KINDS
    from analysis.preferences import preferences

    patterns = patterns_of(table, kinds or KINDS)
    click.echo(f"\n{summary_of_patterns(patterns, preferences().units)}")
    for path in write_patterns(patterns, out) if out is not None else ():
        say(str(path))


def _tell_failed(result: "Screened", most: int = 10) -> None:
    """Name the recordings that could not be analysed, the first of many."""
    for path, why in result.failed[:most]:
        say(f"{path}: {why}")
    if len(result.failed) > most:
        say(f"and {len(result.failed) - most} more; the table has them all (row = 'error').")
