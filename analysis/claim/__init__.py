"""The claim sheet: PDF and PNG for the warrantor, one HTML file with the interactive trace; all made offline."""

from pathlib import Path

from recorder.recording import Recording


def write_report(recording: Recording, out: Path, software: str) -> list[Path]:
    """Write claim sheet and report into a folder; nothing half-written stays.

    Returns
    -------
    list of Path
        claim-sheet.pdf, claim-sheet-1.png …, report.html and findings.json.

    Raises
    ------
    InputError
        If the recording holds no sample.
    """
    from analysis.claim.html import html_of
    from analysis.claim.sheet import pdf_and_pngs
    from analysis.diagnose import diagnose_timeline
    from analysis.timeline import timeline_of
    from recorder.errors import InputError

    timeline = timeline_of(recording)
    if timeline is None:
        raise InputError(f"{recording.path}: holds no sample.")
    findings, case = diagnose_timeline(recording, timeline, software)
    pdf, pngs = pdf_and_pngs(case, findings)
    made: dict[str, bytes] = {"claim-sheet.pdf": pdf}
    made |= {f"claim-sheet-{number}.png": png for number, png in enumerate(pngs, start=1)}
    made["report.html"] = html_of(case, findings).encode()
    made["findings.json"] = findings.to_json().encode()
    out.mkdir(parents=True, exist_ok=True)
    for old in out.glob("claim-sheet-*.png"):
        old.unlink()
    for name, data in made.items():
        aside = out / f"{name}.aside"
        aside.write_bytes(data)
        aside.replace(out / name)
    return [out / name for name in made]
