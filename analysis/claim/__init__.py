"""Claim sheet, customer page, HTML report and comparison; all made offline."""

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from analysis.preferences import Preferences
from recorder.errors import InputError
from recorder.recording import Recording

if TYPE_CHECKING:
    from analysis.case import Case
    from analysis.comparison import Comparison
    from analysis.findings import Findings

BUNDLE_FILE, COMPARISON_BUNDLE = "bundle.zip", "comparison-bundle.zip"


def write_report(
    recording: Recording,
    out: Path,
    software: str,
    chosen: Preferences | None = None,
    attached: Sequence[Path] = (),
    *,
    bundled: bool = False,
) -> list[Path]:
    """Write claim sheet, customer page and report into a folder; nothing half-written stays.

    Returns
    -------
    list of Path
        claim-sheet.pdf, claim-sheet-1.png …, customer-page.pdf and .png, report.html, findings.json and, where it is
        asked for, bundle.zip.

    Raises
    ------
    InputError
        If the recording holds no sample, or a photograph cannot be used.
    """
    from analysis.diagnose import diagnose_timeline
    from analysis.timeline import timeline_of

    timeline = timeline_of(recording)
    if timeline is None:
        raise InputError(f"{recording.path}: holds no sample.")
    findings, case = diagnose_timeline(recording, timeline, software)
    made = _made(recording, case, findings, chosen or Preferences(), attached)
    if bundled:
        from recorder.bundle import RECORDING_FOLDER, bundle_of

        photographs = {f"photos/{path.name}": path.read_bytes() for path in attached}
        made[BUNDLE_FILE] = bundle_of({RECORDING_FOLDER: recording.path}, {**made, **photographs})
    return _written(made, out, "claim-sheet-*.png")


def write_comparison(
    before: Recording,
    after: Recording,
    out: Path,
    software: str,
    chosen: Preferences | None = None,
    *,
    bundled: bool = False,
) -> tuple["Comparison", list[Path]]:
    """Compare two recordings and write the comparison into a folder.

    Returns
    -------
    comparison : Comparison
        The document.
    files : list of Path
        comparison.pdf, comparison-1.png …, comparison.html, comparison.json and, where it is asked for, the bundle
        with both recordings.

    Raises
    ------
    InputError
        If one of the recordings holds no sample.
    """
    from analysis.claim.comparison import comparison_html, comparison_sheet
    from analysis.compare import analysed, compare_analysed

    first, second = (analysed(recording, software) for recording in (before, after))
    comparison = compare_analysed(first, second)
    reader = chosen or Preferences()
    sheet = comparison_sheet(first, second, comparison, reader)
    made: dict[str, bytes] = {"comparison.pdf": sheet.pdf}
    made |= {f"comparison-{number}.png": png for number, png in enumerate(sheet.pages, start=1)}
    made["comparison.html"] = comparison_html(first, second, comparison, reader.units).encode()
    made["comparison.json"] = comparison.to_json().encode()
    if bundled:
        from recorder.bundle import PAIR, bundle_of

        made[COMPARISON_BUNDLE] = bundle_of(dict(zip(PAIR, (before.path, after.path), strict=True)), made)
    return comparison, _written(made, out, "comparison-*.png")


def _written(made: dict[str, bytes], out: Path, pages: str) -> list[Path]:
    """Write files into a folder, each whole or not at all; pages of an earlier, longer sheet go."""
    out.mkdir(parents=True, exist_ok=True)
    for old in out.glob(pages):
        old.unlink()
    for name, data in made.items():
        aside = out / f"{name}.aside"
        aside.write_bytes(data)
        aside.replace(out / name)
    return [out / name for name in made]


def _made(
    recording: Recording, case: "Case", findings: "Findings", chosen: Preferences, attached: Sequence[Path]
) -> dict[str, bytes]:
    from analysis.claim.customer import customer_page
    from analysis.claim.html import html_of
    from analysis.claim.photos import photos_of
    from analysis.claim.sheet import claim_sheet

    photos = photos_of(recording, attached)
    sheet = claim_sheet(case, findings, photos, chosen)
    page = customer_page(case, findings, chosen)
    made: dict[str, bytes] = {"claim-sheet.pdf": sheet.pdf}
    made |= {f"claim-sheet-{number}.png": png for number, png in enumerate(sheet.pages, start=1)}
    made["customer-page.pdf"] = page.pdf
    made["customer-page.png"] = page.pages[0]
    made["report.html"] = html_of(case, findings, photos, chosen.units).encode()
    made["findings.json"] = findings.to_json().encode()
    return made
