"""The `warmspell` command: the recorder's commands and the analysis' own."""

import sys
from pathlib import Path

import click

from analysis.archive.commands import list_, screen
from analysis.preferences import PAPERS
from analysis.shown import CHOICES
from recorder.commands import COMMANDS, calibration_option, job_option, say
from recorder.errors import InputError

units_option = click.option(
    "--units",
    type=click.Choice(list(CHOICES), case_sensitive=False),
    help="Pressures in kPa or bar with °C, or in psi with °F (default: as in settings.toml, else kPa).",
)
paper_option = click.option(
    "--paper",
    type=click.Choice(list(PAPERS)),
    help="Paper of the sheets (default: as in settings.toml, else a4).",
)
recording_argument = click.argument("recording", type=click.Path(path_type=Path))


class _Group(click.Group):
    """Commands in the order of the work, not of the alphabet."""

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002 - click's signature
        """Names in the order in which they were added."""
        return list(self.commands)


@click.group(cls=_Group, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="warmspell", prog_name="warmspell")
def warmspell() -> None:
    """Record a vehicle's air conditioning over a whole drive and find what a glance at the gauges misses.

    \b
    Start here:
      warmspell demo
    """


@warmspell.command()
@click.option(
    "--out",
    type=click.Path(path_type=Path, file_okay=False),
    default=Path("warmspell-demo"),
    show_default=True,
    help="Folder that receives recording and report.",
)
def demo(out: Path) -> None:
    """Do the whole job on an invented drive: replay, record, seal, check, analyse, report. Under a minute.

    \b
    Example:
      warmspell demo --out /tmp/warmspell-demo
    """
    from analysis.demo import run_demo

    run_demo(out, say, click.echo)


for _command in COMMANDS:
    warmspell.add_command(_command)


@warmspell.command()
@recording_argument
@job_option
@calibration_option
@units_option
@click.option("--json", "as_json", is_flag=True, help="Print the findings document (kPa, degC) instead of words.")
def analyse(
    recording: Path, job_file: Path | None, calibration_file: Path | None, units: str | None, *, as_json: bool
) -> None:
    """Find what is wrong in a recording, how sure that is, and what to check next.

    \b
    Example:
      warmspell analyse recordings/minibus-7-before
    """
    from analysis.diagnose import diagnose
    from analysis.opening import opened
    from analysis.preferences import preferences
    from analysis.summary import summary_of
    from recorder.store import software

    chosen = preferences(units)
    findings = diagnose(opened(recording, job_file, calibration_file), software())
    click.echo(findings.to_json() if as_json else summary_of(findings, chosen.units))


@warmspell.command()
@click.argument("before", type=click.Path(path_type=Path))
@click.argument("after", type=click.Path(path_type=Path))
@click.option("--job-before", type=click.Path(path_type=Path), help="Job sheet of BEFORE: a JSON or TOML file.")
@click.option("--job-after", type=click.Path(path_type=Path), help="Job sheet of AFTER: a JSON or TOML file.")
@calibration_option
@units_option
@paper_option
@click.option("--json", "as_json", is_flag=True, help="Print the comparison document instead of words.")
@click.option(
    "--out",
    type=click.Path(path_type=Path, file_okay=False),
    help="Also write the comparison with its overlaid traces into this folder: PDF, PNG, HTML, JSON.",
)
@click.option(
    "--bundle", "bundled", is_flag=True, help="With --out: also one zip with both recordings, sheets, hashes."
)
def compare(
    before: Path,
    after: Path,
    job_before: Path | None,
    job_after: Path | None,
    calibration_file: Path | None,
    units: str | None,
    paper: str | None,
    out: Path | None,
    *,
    as_json: bool,
    bundled: bool,
) -> None:
    """Show whether a repair holds: two recordings of a vehicle, compared only under like conditions.

    \b
    Example:
      warmspell compare recordings/minibus-7-before recordings/minibus-7-after --out comparison
    """
    from analysis.compare import compare as compared
    from analysis.compare_summary import comparison_summary
    from analysis.opening import opened
    from analysis.preferences import preferences
    from recorder.calibrate import calibrations_of
    from recorder.recalibration import recalibrated_together
    from recorder.store import software

    if bundled and out is None:
        raise click.UsageError("--bundle needs --out, the folder that receives it.")
    chosen = preferences(units, paper)
    pair = (opened(before, job_before), opened(after, job_after))
    if calibration_file is not None:
        pair = recalibrated_together(pair, calibrations_of(calibration_file))
    if out is None:
        comparison = compared(*pair, software())
    else:
        from analysis.claim import write_comparison

        comparison, made = write_comparison(*pair, out, software(), chosen, bundled=bundled)
        for path in made:
            say(str(path))
    click.echo(comparison.to_json() if as_json else comparison_summary(comparison, chosen.units))


@warmspell.command()
@recording_argument
@job_option
@calibration_option
@units_option
@paper_option
@click.option(
    "--photo",
    "photos",
    multiple=True,
    type=click.Path(path_type=Path),
    help="A JPEG or PNG to print and hash: plate, odometer, charge label, probes, failed part. May be given often.",
)
@click.option("--bundle", "bundled", is_flag=True, help="Also write bundle.zip: recording, findings, sheets, hashes.")
@click.option(
    "--out",
    type=click.Path(path_type=Path, file_okay=False),
    required=True,
    help="Folder that receives claim-sheet.pdf, customer-page.pdf, their pictures and report.html.",
)
def report(
    recording: Path,
    job_file: Path | None,
    calibration_file: Path | None,
    units: str | None,
    paper: str | None,
    photos: tuple[Path, ...],
    out: Path,
    *,
    bundled: bool,
) -> None:
    """Write claim sheet and customer page (PDF and PNG), the report with its trace to zoom (HTML), the findings (JSON).

    \b
    Example:
      warmspell report recordings/minibus-7-before --units psi --paper letter --photo plate.jpg --bundle --out claim
    """
    from analysis.claim import write_report
    from analysis.opening import opened
    from analysis.preferences import preferences
    from recorder.store import software

    chosen = preferences(units, paper)
    made = write_report(opened(recording, job_file, calibration_file), out, software(), chosen, photos, bundled=bundled)
    for path in made:
        click.echo(str(path))


for _command in (list_, screen):
    warmspell.add_command(_command)


@warmspell.command("open")
@click.option("--port", type=click.IntRange(0, 65535), help="Port of the page (default: 8474, else a free one).")
@click.option("--no-browser", is_flag=True, help="Do not open a browser.")
@click.option("--demo", is_flag=True, help="An invented drive as a node, to try everything without a vehicle.")
@click.option("--lan", is_flag=True, help="Also serve phones in this network; they need the token that is shown.")
@click.option(
    "--out",
    type=click.Path(path_type=Path, file_okay=False),
    help="Folder of the recordings (default: the user's data folder; with --demo a folder of its own).",
)
def open_(port: int | None, out: Path | None, *, no_browser: bool, demo: bool, lan: bool) -> None:
    """Open the page: record, watch, mark and review in a browser. Works offline.

    \b
    Example:
      warmspell open --demo
    """
    from analysis.page.serve import Opening, open_page

    open_page(Opening(out, port, not no_browser, lan, demo), say)


def main() -> None:
    """Run the command; bad input ends with one sentence and exit status 1."""
    try:
        warmspell.main(standalone_mode=True)
    except InputError as reason:
        say(f"warmspell: {reason}")
        sys.exit(1)
    except OSError as reason:
        where = f"{reason.filename}: " if reason.filename else ""
        say(f"warmspell: {where}{reason.strerror or reason}.")
        sys.exit(1)
    except KeyboardInterrupt:
        sys.exit(130)
