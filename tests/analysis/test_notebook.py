"""The Python interface: examples that run, frames, what shows itself, in the reader's units and escaped."""

import doctest
import importlib
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import fields, is_dataclass, replace
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import polars as pl
import pytest

import analysis
from analysis import findings as doc
from analysis.glimpse import as_html, as_text
from analysis.notebook import as_panels, as_words
from analysis.notebook.opened import OpenedRecording
from analysis.timeline import timeline_of
from recorder.errors import InputError
from recorder.recording import Recording, open_recording
from tests.conftest import ROOT

BEFORE = ROOT / "recordings" / "minibus-7-before"
WITH_EXAMPLES = sorted(
    path.relative_to(ROOT).with_suffix("").as_posix().replace("/", ".").removesuffix(".__init__")
    for folder in ("recorder", "analysis")
    for path in (ROOT / folder).rglob("*.py")
    if ">>> " in path.read_text(encoding="utf-8")
)


@pytest.fixture(autouse=True)
def settings(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A configuration folder of the test's own, and the repository as the working folder."""
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
    monkeypatch.setenv("HOME", str(tmp_path))
    monkeypatch.setenv("APPDATA", str(tmp_path))
    monkeypatch.chdir(ROOT)
    return tmp_path / "warmspell" / "settings.toml"


@pytest.fixture(scope="module")
def drive() -> OpenedRecording:
    """The shipped drive."""
    return analysis.open_recording(BEFORE)


@pytest.mark.parametrize("module", WITH_EXAMPLES)
def test_the_examples_in_the_docstrings_give_what_they_say(module: str):
    """What a better detector may shift by a digit is left out by dots."""
    done = doctest.testmod(importlib.import_module(module), optionflags=doctest.ELLIPSIS)
    assert done.attempted > 0
    assert done.failed == 0


def test_the_examples_of_the_readme_give_what_they_say():
    done = doctest.testfile(str(ROOT / "README.md"), module_relative=False, optionflags=doctest.ELLIPSIS)
    assert done.failed == 0


def test_importing_the_package_loads_neither_numpy_nor_polars_nor_the_command():
    code = "import sys, analysis; print([n for n in ('numpy', 'polars', 'scipy', 'click') if n in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=ROOT)
    assert done.stdout.strip() == "[]"


def test_a_frame_holds_what_the_recording_stores_and_names_unit_and_zero(drive: OpenedRecording):
    stored = pl.read_parquet(BEFORE / "hv-node-7.parquet")
    frame = drive.frames()["hv-node-7"]
    assert frame["low_side_gauge_kpa"].equals(stored["low_side"].alias("low_side_gauge_kpa"))
    assert frame["engine_speed_per_min"].to_list() == stored["engine_speed"].to_list()
    assert frame["t_s"].to_list() == pytest.approx([i / 4 for i in range(frame.height)], abs=1e-6)


def test_the_common_frame_is_absolute_and_what_is_derived_stands_on_the_same_seconds(drive: OpenedRecording):
    frame, derived = drive.frame(), drive.derived()
    gauge = drive.frames()["hv-node-7"]["low_side_gauge_kpa"].to_numpy()
    over = frame["low_side_absolute_kpa"].to_numpy()[: len(gauge)] - gauge
    assert np.nanmedian(over) == pytest.approx(drive.findings.recording.barometric_kpa.value, abs=1e-3)
    assert frame["t_s"].equals(derived["t_s"])
    pumped_s = derived["pumping"].sum() * 0.25
    assert pumped_s == pytest.approx(sum(run.end_s - run.start_s for run in drive.runs), abs=0.5 * len(drive.runs))


def test_what_is_missing_is_null_and_not_a_made_up_number(drive: OpenedRecording):
    stream = drive.recording.streams[0]
    rows = pl.int_range(pl.len())
    holed = stream.data.with_columns(
        pl.when(rows.is_between(400, 800)).then(None).otherwise(pl.col("vent")).alias("vent")
    )
    opened = OpenedRecording(replace(drive.recording, streams=(replace(stream, data=holed),)))
    frame = opened.frame()
    assert frame["vent_degc"].null_count() == pytest.approx(401, abs=3)
    assert frame["vent_degc"].is_nan().sum() == 0
    assert opened.derived()["split_k"].null_count() == frame["vent_degc"].null_count()
    assert opened.frames()["hv-node-7"]["vent_degc"].null_count() == 401


def test_findings_are_worked_out_once_and_only_when_asked_for(monkeypatch: pytest.MonkeyPatch):
    from analysis.notebook import opened

    calls: list[Recording] = []
    judge = opened.diagnose_timeline
    monkeypatch.setattr(opened, "diagnose_timeline", lambda *given: (calls.append(given[0]), judge(*given))[1])
    drive = analysis.open_recording(BEFORE)
    assert drive.marks
    assert drive.frame().height
    assert not calls
    assert drive.findings is drive.findings
    assert drive.episodes
    assert drive.figure(0, 60)
    assert len(calls) == 1


def every_part(part: object) -> Iterator[object]:
    """A part of the document and all that it holds."""
    if is_dataclass(part):
        yield part
        for field in fields(part):
            yield from every_part(getattr(part, field.name))
    elif isinstance(part, tuple):
        for one in part:
            yield from every_part(one)


def test_every_type_of_the_document_shows_itself_in_a_line_and_as_html(drive: OpenedRecording):
    types = {value for value in vars(doc).values() if isinstance(value, type) and is_dataclass(value)} - {doc.Measured}
    registered = set(as_text.registry)
    assert types <= registered
    seen = [part for part in every_part(drive.findings) if type(part) in types]
    assert len({type(part) for part in seen}) >= len(types) - 3  # no vacuum, no static gap, no settling in this drive
    for part in seen:
        text = repr(part)
        assert text.startswith(type(part).__name__ + "(")
        assert "\n" not in text
        assert len(text) < 400
        assert well_formed(as_html(part) or "")


class Tags(HTMLParser):
    """Keeps a stack of open tags; complains of what does not close, and of what would be fetched or run."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.text: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        assert tag not in {"script", "link", "iframe", "style"}
        for name, value in attrs:
            assert not name.startswith("on")
            assert name not in {"href", "src"} or (value or "").startswith("data:")
            assert "url(" not in (value or "") or name == "src"
        if tag != "img":
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.text.append(data)


def well_formed(html: str) -> str:
    """The text of an HTML that closes all it opens and fetches nothing."""
    tags = Tags()
    tags.feed(html)
    tags.close()
    assert tags.open == []
    return " ".join(tags.text)


def test_what_a_person_typed_is_escaped_wherever_it_is_shown(drive: OpenedRecording):
    evil = "<script>alert('1')</script> & \"so on\""
    job = replace(drive.job, vehicle=evil, complaint=evil)
    opened = OpenedRecording(replace(drive.recording, job=job))
    assert evil in well_formed(opened._repr_html_())
    note = doc.Note(1.0, "note", evil)
    assert evil in well_formed(as_html(note) or "")
    assert evil in well_formed(as_panels.table_of((note,), "Marks"))
    figure = replace(drive.figure(0, 60), title=evil)
    assert "<script" not in (as_html(figure) or "")


def test_numbers_come_in_the_readers_units(drive: OpenedRecording, settings: Path):
    static = doc.Static(
        12.0, 24.0, doc.Measured(793.988, 6.5435), doc.Measured(35.0, 1.0), doc.Measured(None, None, "not soaked")
    )
    assert repr(static) == "Static(0:12–0:24, 794.0 ± 6.5 kPa gauge)"
    settings.parent.mkdir()
    settings.write_text('units = "psi"\n')
    assert repr(static) == "Static(0:12–0:24, 115.16 ± 0.95 psi gauge)"
    assert "95.0 ± 1.8 °F" in well_formed(as_html(static) or "")
    assert "psi gauge" in well_formed(as_html(drive.episodes[0]) or "")
    assert "psi" in "".join(strip.unit for strip in drive.figure(0, 60).strips)


def test_settings_that_cannot_be_read_are_told_on_opening_and_never_break_a_repr(
    drive: OpenedRecording, settings: Path
):
    settings.parent.mkdir()
    settings.write_text('units = "furlongs"\n')
    with pytest.raises(InputError, match="units is 'furlongs'"):
        analysis.open_recording(BEFORE)
    assert repr(drive.runs[0]).startswith("Run(")


def test_without_the_notebook_a_part_shows_all_its_fields():
    code = "from analysis.findings import Run; print(Run(1.0, 2.0), Run(1.0, 2.0)._repr_html_())"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=ROOT)
    assert done.stdout.strip() == "Run(start_s=1.0, end_s=2.0) None"


def test_a_recording_without_a_sample_opens_and_says_so(drive: OpenedRecording):
    empty = tuple(replace(stream, data=stream.data.clear()) for stream in drive.recording.streams)
    opened = OpenedRecording(replace(drive.recording, streams=empty))
    assert (
        repr(opened) == "OpenedRecording(minibus-7-before, 0:00 date not stated, 10 channels, 0 marks, sealed, intact)"
    )
    assert opened.frame().columns == ["t_s"]
    assert opened.frames()["hv-node-7"].height == 0
    assert opened.findings.verdict == doc.CANNOT_TELL
    assert opened.started_at is None
    assert well_formed(opened._repr_html_())
    with pytest.raises(InputError, match="holds no sample"):
        opened.figure()


def test_a_figure_outside_the_recording_is_refused_with_its_length(drive: OpenedRecording):
    with pytest.raises(InputError, match=r"has nothing from 3000 s to 2160 s; it is 2160 s long"):
        drive.figure(3000, 3100)


def test_another_job_sheet_is_read_with_it_and_the_seal_stays(drive: OpenedRecording, tmp_path: Path):
    sheet = tmp_path / "job.toml"
    sheet.write_text('refrigerant = "R-1234yf"\n')
    opened = analysis.open_recording(str(BEFORE), job=sheet)
    assert opened.job.refrigerant == "R-1234yf"
    assert open_recording(BEFORE).job.refrigerant == "R-134a"
    with pytest.raises(InputError, match="is not a recording folder"):
        analysis.open_recording(tmp_path / "nowhere")


def test_several_parts_show_a_line_each_and_a_table(drive: OpenedRecording):
    assert repr(drive.episodes).count("\n") == len(drive.episodes) - 1
    assert well_formed(drive.causes._repr_html_())
    assert as_words.lines(()) == "[]"
    timeline = timeline_of(drive.recording)
    assert timeline is not None
    assert [mark.time_s for mark in drive.marks] == [mark.time_s for mark in timeline.marks]
