"""The claim sheet and the customer page, opened by other programs than the one that wrote them."""

import json
import os
import shutil
import subprocess
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.case import Case
from analysis.causes import cause_modules
from analysis.claim import content, write_comparison, write_report
from analysis.claim.customer import PLAIN, customer_page
from analysis.claim.sheet import claim_sheet, closely_of
from analysis.diagnose import diagnose_timeline
from analysis.findings import KINDS, NO_FAULT_SEEN, Episode, Evidence, Findings
from analysis.preferences import Preferences
from analysis.shown import PSI
from analysis.timeline import timeline_of
from analysis.wording import coverage_lines
from recorder.amendments import append_amendment
from recorder.bundle import bundle_of, check_bundle
from recorder.recording import Recording, open_recording, short_digest
from tests.analysis.made import recording_of
from tests.analysis.pdf import colliding, page_words
from tests.analysis.pdf import words_of as pdf_words
from tests.conftest import ROOT, warmspell

BEFORE, AFTER = (ROOT / "recordings" / f"minibus-7-{when}" for when in ("before", "after"))
EVIL = '<script>alert(1)</script> #import "x" $ \\ [*bold*] =SUM(A1) {{7*7}} </script> é Ж Ω'
JARS = ("preflight", "pdfbox2", "xmpbox", "fontbox2", "commons-logging", "javax.activation", "jaxb-api")


@pytest.fixture(scope="module")
def report(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo recording's report, written by the command."""
    out = tmp_path_factory.mktemp("report")
    done = warmspell("report", str(BEFORE), "--out", str(out))
    assert done.returncode == 0, done.stderr
    names = [Path(line).name for line in done.stdout.split()]
    assert names[0] == "claim-sheet.pdf"
    assert {"claim-sheet-1.png", "customer-page.pdf", "customer-page.png", "report.html", "findings.json"} <= set(names)
    return out


@pytest.fixture(scope="module")
def demo() -> tuple[Case, Findings]:
    """The demo recording, diagnosed."""
    recording = open_recording(BEFORE)
    timeline = timeline_of(recording)
    assert timeline is not None
    findings, case = diagnose_timeline(recording, timeline, "test")
    return case, findings


def diagnosed(recording: Recording) -> tuple[Case, Findings]:
    """A made recording, diagnosed."""
    timeline = timeline_of(recording)
    assert timeline is not None
    findings, case = diagnose_timeline(recording, timeline, "test")
    return case, findings


def poppler(program: str, *words: str) -> str:
    """Run one of poppler's programs."""
    return subprocess.run([program, *words], capture_output=True, text=True, check=True).stdout


def words_of(pdf: bytes, tmp_path: Path) -> str:
    """The text of a PDF as poppler reads it."""
    path = tmp_path / "read.pdf"
    path.write_bytes(pdf)
    return pdf_words(path)


@pytest.mark.debian("pdftotext", "pdffonts", "pdfinfo")
def test_an_independent_reader_finds_the_words_and_embedded_fonts(report: Path):
    """Opened with poppler (Debian package poppler-utils)."""
    pdf = str(report / "claim-sheet.pdf")
    text = " ".join(poppler("pdftotext", "-raw", pdf, "-").split())
    for words in (
        "LIKELY Condenser loses its airflow, 4 times.",
        "What is wrong",
        "How sure that is",
        "What was not measured",
        "not clipped on: condenser fan supply",
        "HVCT7BUS000000007",
        "Blows warm at some stops",
        "what tells apart",
        "common practice, no source",
        "HV-P-011",
        "2026-05-04",
        "recovered not weighed",
        "invented",
        "27 % in 5 min",
        "warmspell check",
        "It does not prove who recorded them",
        "a passenger watches, never the driver",
    ):
        assert words in text, words
    fonts = poppler("pdffonts", pdf).splitlines()[2:]
    assert fonts
    assert all(line.split()[-5:-2][0] == "yes" for line in fonts), fonts
    info = poppler("pdfinfo", pdf)
    assert "Title:           Air conditioning claim sheet, minibus-7-before" in info
    assert int(next(line.split()[1] for line in info.splitlines() if line.startswith("Pages:"))) in (3, 4)


@pytest.mark.debian("java")
def test_an_independent_validator_finds_archival_pdfs(report: Path, tmp_path: Path):
    """PDF/A-1b (ISO 19005-1) by Apache PDFBox' preflight (Debian packages of .ci/run); a broken one is refused."""
    jars = [f"/usr/share/java/{name}.jar" for name in JARS]
    if not all(Path(jar).exists() for jar in jars):
        if os.environ.get("WARMSPELL_CI"):
            pytest.fail("the PDF/A validator is missing in CI")
        pytest.skip("libpdfbox2-java, libactivation-java, libjaxb-api-java (Debian packages) are not installed")
    broken = tmp_path / "broken.pdf"
    broken.write_bytes((report / "claim-sheet.pdf").read_bytes().replace(b"<pdfaid:part>1", b"<pdfaid:part>7"))
    write_comparison(open_recording(BEFORE), open_recording(AFTER), tmp_path, "test")
    said: dict[str, str] = {}
    for path in (report / "claim-sheet.pdf", report / "customer-page.pdf", tmp_path / "comparison.pdf", broken):
        command = ["java", "-cp", ":".join(jars), "org.apache.pdfbox.preflight.Validator_A1b", str(path)]
        said[path.name] = subprocess.run(command, capture_output=True, text=True, check=False).stdout
    assert "is a valid PDF/A-1b file" in said["claim-sheet.pdf"], said["claim-sheet.pdf"]
    assert "is a valid PDF/A-1b file" in said["customer-page.pdf"], said["customer-page.pdf"]
    assert "is a valid PDF/A-1b file" in said["comparison.pdf"], said["comparison.pdf"]
    assert "is not a valid PDF/A-1b file" in said["broken.pdf"]


@pytest.mark.debian("pdftoppm")
def test_the_printed_page_holds_ink_where_the_trace_is(report: Path, tmp_path: Path):
    """The page as poppler draws it in grey: the trace's middle is neither blank nor black."""
    poppler(
        "pdftoppm", "-r", "60", "-gray", "-f", "1", "-l", "1", str(report / "claim-sheet.pdf"), str(tmp_path / "page")
    )
    (page,) = tmp_path.glob("page*.pgm")
    data = page.read_bytes()
    width, height = (int(v) for v in data.split(b"\n", 3)[1].split())
    grey = np.frombuffer(data[-width * height :], np.uint8).reshape(height, width)
    trace = grey[int(0.53 * height) : int(0.75 * height), int(0.15 * width) : int(0.72 * width)]
    assert 0.02 < float(np.mean(trace < 160)) < 0.35


@pytest.mark.debian("pdftotext")
def test_no_two_words_lie_over_each_other(report: Path, samples: dict[str, Recording], tmp_path: Path):
    """In the demo's sheets and those of samples with many lanes, marks and set-aside readings; figures included."""
    for name in ("claim-sheet.pdf", "customer-page.pdf"):
        assert not any(colliding(page) for page in page_words(report / name)), name
    for name in ("sample12", "sample15"):
        sheet = claim_sheet(*diagnosed(samples[name]), (), Preferences())
        (tmp_path / name).write_bytes(sheet.pdf)
        assert not any(colliding(page) for page in page_words(tmp_path / name)), name


@pytest.mark.debian("pdftotext")
def test_corrections_after_sealing_are_told_with_their_digest(tmp_path: Path):
    copy = Path(shutil.copytree(BEFORE, tmp_path / "copy"))
    append_amendment(copy, 1_784_000_000_000_000_000, "A. Okafor", "misread", {"odometer_in_km": 128431})
    digest = short_digest(open_recording(copy).chain_digest or "")
    assert digest in warmspell("check", str(copy)).stdout
    write_report(open_recording(copy), tmp_path / "out", "test", bundled=True)
    text = pdf_words(tmp_path / "out" / "claim-sheet.pdf")
    told = "corrected after sealing: 2026-07-14T03:33:20Z by A. Okafor: odometer in km (misread)"
    assert told in text
    assert f"Since sealing: 1 correction, digest {digest}" in text
    assert "128431 km" in text
    assert told in (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    assert check_bundle(tmp_path / "out" / "bundle.zip").damage == ()
    chain = copy / "amendments.jsonl"
    chain.write_text(chain.read_text() * 2, encoding="utf-8")
    broken = tmp_path / "broken.zip"
    broken.write_bytes(bundle_of({"recording": copy}, {}))
    assert check_bundle(broken).damage == ("recording: amendments.jsonl line 2 does not follow line 1",)


@pytest.mark.debian("pdftotext")
def test_a_job_sheet_handed_in_for_the_sheet_alone_is_told(tmp_path: Path):
    whole = open_recording(BEFORE)
    write_report(replace(whole, job=replace(whole.job, customer="Somebody else")), tmp_path, "test")
    told = "the job sheet was handed in for this sheet and is not the sealed one"
    assert told in pdf_words(tmp_path / "claim-sheet.pdf")


def test_the_worst_of_the_episodes_stands_against_its_expectation(demo: tuple[Case, Findings]):
    _, findings = demo
    rows = content.expected_rows(findings, PSI, measured_only=True)
    assert rows[0][0] == "condensing over ambient, episode No. 7"
    assert rows[0][1:4] == ["76.7 ± 1.5 °F", "14.4 to 54 °F", "outside"]  # 42.6 K, 8 to 30 K; 1.8 degF a kelvin


def test_the_same_findings_give_the_same_bytes(report: Path, tmp_path: Path):
    again = write_report(
        open_recording(BEFORE), tmp_path, json.loads((report / "findings.json").read_text())["software"]
    )
    for path in again:
        assert path.read_bytes() == (report / path.name).read_bytes(), path.name


def evil_recording() -> Recording:
    """Markup of three kinds in every text field."""
    t = np.arange(0.0, 200.0, 0.5)
    columns = {
        "low_side [kPa]": 250.0 + t * 0,
        "high_side [kPa]": 1200.0 + t * 0,
        "clutch [V]": np.where(t > 20, 13.0, 0.0),
    }
    texts = dict.fromkeys(
        ("customer", "vehicle", "vin", "plate", "order_number", "complaint", "cause", "technician"), EVIL
    )
    return recording_of(t, columns, **texts, parts=[EVIL], marks=[{"time_s": 30, "kind": "note", "text": EVIL}])


@pytest.mark.debian("pdftotext")
def test_markup_is_printed_as_it_was_typed(tmp_path: Path):
    write_report(evil_recording(), tmp_path, "test")
    text = words_of((tmp_path / "claim-sheet.pdf").read_bytes(), tmp_path)
    for words in ("<script>alert(1)</script>", '#import "x"', "[*bold*]", "=SUM(A1)", "{{7*7}}", "Ж"):
        assert words in text


@pytest.mark.debian("pdftotext")
@settings(max_examples=12, deadline=None)
@given(st.text(st.characters(codec="latin-1", categories=("L", "N", "P", "S")), min_size=1, max_size=14))
def test_any_word_in_a_text_field_is_printed_as_it_was_typed(tmp_path_factory: pytest.TempPathFactory, word: str):
    """No character of Latin-1 is ever markup to the typesetter."""
    case, findings = DIAGNOSED.setdefault("plain", diagnosed(plain_recording()))
    marked = replace(findings, job_sheet={**findings.job_sheet, "order_number": f"a{word}z", "parts": [word, word]})
    sheet = claim_sheet(case, marked, (), Preferences())
    text = words_of(sheet.pdf, tmp_path_factory.mktemp("word"))
    assert f"a{word}z" in text.replace("ﬁ", "fi").replace("ﬂ", "fl")


DIAGNOSED: dict[str, tuple[Case, Findings]] = {}


def plain_recording() -> Recording:
    """Vent air alone, for a hundred seconds."""
    t = np.arange(0.0, 100.0, 0.5)
    return recording_of(t, {"vent [degC]": 12.0 + t * 0})


@pytest.mark.debian("pdftotext")
def test_scripts_that_the_font_lacks_are_told_and_cost_nothing(tmp_path: Path):
    t = np.arange(0.0, 100.0, 0.5)
    recording = recording_of(t, {"vent [degC]": 12.0 + t * 0}, customer="王 Ltd 🚐", complaint="Ощущение τέλος\x07")
    write_report(recording, tmp_path, "test")
    text = words_of((tmp_path / "claim-sheet.pdf").read_bytes(), tmp_path)
    assert "? Ltd ?" in text
    assert "Ощущение τέλος" in text
    assert "characters of other scripts cannot be printed" in text
    assert "王 Ltd" in (tmp_path / "report.html").read_text(encoding="utf-8")


def test_a_job_sheet_may_be_given_after_the_drive(tmp_path: Path):
    sheet = tmp_path / "bus.json"
    sheet.write_text(json.dumps({"refrigerant": "R-1234yf", "customer": "Harrow Vale"}), encoding="utf-8")
    done = warmspell("analyse", str(BEFORE), "--job", str(sheet), "--json")
    assert json.loads(done.stdout)["recording"]["refrigerant"] == "R-1234yf"
    assert warmspell("check", str(BEFORE)).returncode == 0


@pytest.mark.parametrize("rows", [1, 2])
def test_a_recording_of_a_row_or_two_still_gets_its_sheet(rows: int, tmp_path: Path):
    t = np.arange(rows) * 1.0
    write_report(recording_of(t, {"low_side [kPa]": 200.0 + t, "high_side [kPa]": 900.0 + t}), tmp_path, "test")
    assert (tmp_path / "claim-sheet.pdf").stat().st_size > 10_000


@pytest.mark.debian("pdftotext")
def test_a_damaged_recording_says_not_intact_on_every_page(tmp_path: Path):
    copy = Path(shutil.copytree(BEFORE, tmp_path / "copy"))
    (copy / "marks.jsonl").write_text("", encoding="utf-8")
    write_report(open_recording(copy), tmp_path / "out", "test")
    assert 'class="broken"' in (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    for name in ("claim-sheet.pdf", "customer-page.pdf"):
        pages = poppler("pdftotext", str(tmp_path / "out" / name), "-").split("\f")[:-1]
        assert pages
        assert all("NOT INTACT" in page for page in pages), name


@pytest.mark.debian("pdftotext")
def test_a_thin_recording_gets_an_honest_sheet(tmp_path: Path):
    write_report(plain_recording(), tmp_path, "test")
    text = words_of((tmp_path / "claim-sheet.pdf").read_bytes(), tmp_path)
    assert "CANNOT TELL Not recorded: low side and high side." in text
    assert "No kind of fault could be decided, so that nothing follows from none being seen." in text
    assert "an hour could still" not in text
    assert "not clipped on: low side, high side, return air, ambient air" in text
    page = words_of((tmp_path / "customer-page.pdf").read_bytes(), tmp_path)
    assert "This recording does not show enough to say whether there is a fault." in page
    html = (tmp_path / "report.html").read_text(encoding="utf-8")
    assert "Not recorded: low side and high side." in html


@pytest.mark.debian("pdfinfo", "pdftotext")
def test_forty_episodes_long_texts_and_both_papers_break_nothing(demo: tuple[Case, Findings], tmp_path: Path):
    case, findings = demo
    evidence = (Evidence("condensing_climbs", "words " * 60), Evidence("road_speed", "x" * 300))
    many = tuple(Episode(KINDS[i % 12], 10.0 + 50 * i, 40.0 + 50 * i, 0.5, evidence) for i in range(40))
    long = {"complaint": "warm at the lights " * 200, "vin": "W" * 400, "cause": "Ü" * 900, "parts": ["relay"] * 80}
    crowded = replace(findings, episodes=many, job_sheet={**findings.job_sheet, **long})
    for paper, size in (("a4", "595.276 x 841.89"), ("us-letter", "612 x 792")):
        sheet = claim_sheet(case, crowded, (), Preferences(PSI, paper))
        text = words_of(sheet.pdf, tmp_path)
        info = poppler("pdfinfo", str(tmp_path / "read.pdf"))
        assert size in info
        assert " 40 " in text
        assert not any(colliding(page) for page in page_words(tmp_path / "read.pdf"))
        assert "Signature" in text
        assert len(customer_page(case, crowded, Preferences(PSI, paper)).pages) == 1


CAUSES = {module.CAUSE for module in cause_modules()}


@pytest.mark.parametrize("kind", sorted({*KINDS, *CAUSES} - {"sensor_fault"}))
def test_the_customer_page_has_plain_words_for_every_cause(kind: str):
    jargon = ("kPa", "psi", "superheat", "subcooling", "condenser", "evaporator", "saturation", "clutch", "duty")
    words = f"{PLAIN[kind].found} {PLAIN[kind].means}"
    assert not [word for word in jargon if word in words]


@pytest.mark.debian("pdftotext")
def test_the_customer_page_answers_what_how_sure_what_it_means_and_what_next(report: Path):
    text = " ".join(poppler("pdftotext", "-raw", str(report / "customer-page.pdf"), "-").split())
    for words in (
        "gets too little air. We saw it 4 times in 36 minutes.",
        "Very probable, but not proven yet.",
        "A five-minute look would have missed it with a chance of 27 %.",
        "Cooling fades, mostly when the vehicle stands",
        "The workshop checks which of these it is: fan motor",
    ):
        assert words in text, words
    assert poppler("pdfinfo", str(report / "customer-page.pdf")).count("Pages:           1") == 1


def test_every_sample_gets_one_customer_page_and_a_sheet(samples: dict[str, Recording]):
    for name in ("sample02", "sample11", "sample15"):
        case, findings = diagnosed(samples[name])
        assert len(customer_page(case, findings, Preferences()).pages) == 1, name
        assert 2 <= len(claim_sheet(case, findings, (), Preferences()).pages) <= 6, name


@pytest.mark.debian("pdftotext")
@pytest.mark.parametrize("paper", ["a4", "us-letter"])
def test_the_signature_shares_its_page_with_what_it_signs(paper: str, samples: dict[str, Recording], tmp_path: Path):
    """In the sheet whose signature once stood alone on a fourth page; cautions and sensors stand over it."""
    case, findings = diagnosed(samples["sample10"])
    sheet = claim_sheet(case, findings, (), Preferences(paper=paper))
    pdf = tmp_path / "sheet.pdf"
    pdf.write_bytes(sheet.pdf)
    last = {word for *_, word in page_words(pdf)[-1]}
    assert len(sheet.pages) == 3
    assert {"Sensors", "Cautions", "Signature"} <= last


def test_cycles_that_the_whole_drive_cannot_show_are_drawn_closely(samples: dict[str, Recording]):
    case, findings = diagnosed(samples["sample13"])
    span = closely_of(case, findings)
    assert span is not None
    runs = [run for run in case.running.runs if span[0] <= run.start_s < span[1]]
    assert len(runs) == 16
    assert closely_of(*diagnosed(samples["sample05"])) is None  # throughout, but one run


def test_a_fault_throughout_asks_for_no_driving_to_exclude_it(samples: dict[str, Recording]):
    _, findings = diagnosed(samples["sample05"])
    lines = coverage_lines(findings, PSI)
    assert lines[-1] == "After the repair a drive like this one shows whether they are gone."


def test_what_is_proven_is_told_by_its_fact_and_the_part_that_is_not_is_named(samples: dict[str, Recording]):
    _, findings = diagnosed(samples["sample10"])
    proven, part, *_ = content.how_sure(findings, PSI)
    assert proven == "Proven: no supply reached the clutch. That leaves no other reading."
    assert part.startswith("Not shown is which of these is behind it: clutch relay; fuse; wiring or plug;")


def test_the_charge_is_told_with_its_uncertainty(demo: tuple[Case, Findings]):
    _, findings = demo
    job = {"rated_charge_kg": 0.95, "recovered_kg": 0.6, "recovered_u95_kg": 0.04, "charged_kg": 0.952}
    rows = {row[0]: row[1] for row in content.charge_rows(replace(findings, job_sheet=job))}
    assert rows["rated"] == "0.95 kg"
    assert rows["recovered"] == "0.600 ± 0.040 kg, 37 ± 4 % below rated"
    assert rows["charged"] == "0.952 ± 0.015 kg, 0 ± 2 % above rated"


@pytest.mark.debian("pdftotext")
def test_photographs_are_printed_with_their_hash_sealed_or_attached(tmp_path: Path):
    from hashlib import sha256

    from tests.analysis.pictures import png

    under_way = tmp_path / "odometer.png"
    under_way.write_bytes(png(40, 30, 120))
    later = tmp_path / "failed-relay.png"
    later.write_bytes(png(30, 40, 200))
    copy = Path(shutil.copytree(BEFORE, tmp_path / "copy"))
    (copy / "photos").mkdir()
    shutil.copyfile(under_way, copy / "photos" / "odometer.png")
    reseal(copy)
    done = warmspell("report", str(copy), "--photo", str(later), "--out", str(tmp_path / "out"), "--bundle")
    assert done.returncode == 0, done.stderr
    text = words_of((tmp_path / "out" / "claim-sheet.pdf").read_bytes(), tmp_path)
    for path, how in ((under_way, "covered by the seal"), (later, "attached after sealing, hashed here")):
        digest = short_digest(sha256(path.read_bytes()).hexdigest())
        assert f"SHA-256 {digest} · {how}" in text
    assert warmspell("check", str(tmp_path / "out" / "bundle.zip")).returncode == 0
    (copy / "photos" / "odometer.png").write_bytes(png(40, 30, 121))
    checked = warmspell("check", str(copy))
    assert checked.returncode == 1
    assert "photos/odometer.png was altered after sealing" in checked.stdout


def reseal(folder: Path) -> None:
    """Seal a copied recording again, with what lies in it now."""
    from recorder.sealing import _write_seal

    (folder / "seal.json").unlink()
    _write_seal(folder, [path.name for path in folder.glob("*.parquet")])


@pytest.mark.parametrize(
    ("name", "data", "says"),
    [
        ("plate.gif", b"GIF89a", "is neither a JPEG nor a PNG"),
        ("plate.jpg", b"\xff\xd8\xff\xe0 cut off", "damaged"),
        ("missing.jpg", None, "cannot be read"),
    ],
)
def test_a_photograph_that_cannot_be_printed_is_named(name: str, data: bytes | None, says: str, tmp_path: Path):
    path = tmp_path / name
    if data is not None:
        path.write_bytes(data)
    done = warmspell("report", str(BEFORE), "--photo", str(path), "--out", str(tmp_path / "out"))
    assert done.returncode == 1
    assert says in done.stderr
    assert "Traceback" not in done.stderr
    assert not (tmp_path / "out").exists()


@pytest.mark.debian("pdftotext")
def test_one_sensor_or_no_cooling_gets_an_honest_sheet(tmp_path: Path):
    t = np.arange(0.0, 300.0, 0.5)
    low = recording_of(t, {"low_side [kPa]": 240.0 + 30.0 * np.sin(t / 9.0)})
    flat = {"low_side [kPa]": 600.0 + t * 0, "high_side [kPa]": 605.0 + t * 0, "ambient [degC]": 25.0 + t * 0}
    for name, recording, words in (
        ("one", low, ("CANNOT TELL", "Not recorded: high side", "not clipped on: high side, vent air")),
        ("off", recording_of(t, {**flat, "clutch [V]": t * 0}), ("CANNOT TELL", "How sure that is")),
    ):
        write_report(recording, tmp_path / name, "test")
        text = pdf_words(tmp_path / name / "claim-sheet.pdf")
        assert all(word in text for word in words), (name, text[:900])
        assert "LIKELY" not in text
        assert "PROVEN" not in text


@pytest.mark.debian("pdftotext")
def test_only_time_under_the_conditions_of_the_complaint_is_said_where_only_that_was_counted(tmp_path: Path):
    case, findings = diagnosed(open_recording(AFTER))
    good = replace(findings, verdict=NO_FAULT_SEEN)
    assert good.coverage.counted_under.startswith("under the conditions of the complaint")
    sheet = words_of(claim_sheet(case, good, (), Preferences()).pdf, tmp_path)
    assert "Nothing showed in 10 minutes under the conditions of the complaint." in sheet
    page = words_of(customer_page(case, good, Preferences()).pdf, tmp_path)
    assert "In 10 minutes under the conditions that you told us of no fault showed itself." in page
