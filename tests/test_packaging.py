"""The wheel and the sdist: complete, honest about what they need, and enough without the repository."""

import ast
import os
import subprocess
import sys
import tarfile
import tomllib
import zipfile
from importlib import metadata
from pathlib import Path

import pytest

from recorder.recording import open_recording
from tests.conftest import ROOT

PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
PACKAGES = ("recorder", "analysis")


def files_of(*folders: str) -> set[str]:
    """Files of the repository under these folders, without what Python leaves."""
    paths = (path for folder in folders for path in (ROOT / folder).rglob("*"))
    return {p.relative_to(ROOT).as_posix() for p in paths if p.is_file() and "__pycache__" not in p.parts}


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the sdist, and the wheel that was built from the sdist alone."""
    folder = tmp_path_factory.mktemp("built")
    command = [sys.executable, "-m", "build", "--no-isolation", "--outdir", str(folder), str(ROOT)]
    done = subprocess.run(command, capture_output=True, text=True, check=False, cwd=folder)
    assert done.returncode == 0, done.stdout + done.stderr
    return folder


@pytest.fixture(scope="module")
def site(built: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The wheel as it lies in a site-packages folder."""
    (wheel,) = built.glob("*.whl")
    folder = tmp_path_factory.mktemp("site")
    zipfile.ZipFile(wheel).extractall(folder)
    return folder


def python(site: Path, cwd: Path, *words: str) -> subprocess.CompletedProcess[str]:
    """Run Python away from the repository, the wheel's content before everything else."""
    environment = {**os.environ, "PYTHONPATH": str(site)}
    command = [sys.executable, "-P", *words]
    return subprocess.run(command, capture_output=True, text=True, check=False, timeout=120, cwd=cwd, env=environment)


def test_the_wheel_holds_both_packages_and_the_demo_recordings_and_nothing_else(site: Path):
    held = {path.relative_to(site).as_posix() for path in site.rglob("*") if path.is_file()}
    told = {name for name in held if ".dist-info/" in name}
    assert held - told == files_of(*PACKAGES) | {f"analysis/{name}" for name in files_of("recordings")}
    for end in ("licenses/LICENSE", "plotly-basic.LICENSE.txt", "OFL.txt", "entry_points.txt"):
        assert any(name.endswith(end) for name in told), end


def test_the_sdist_holds_the_tests_and_the_firmware_notes_too(built: Path):
    (sdist,) = built.glob("*.tar.gz")
    with tarfile.open(sdist) as archive:
        held = {name.partition("/")[2] for name in archive.getnames()}
    assert files_of(*PACKAGES, "tests", "firmware_notes", "recordings") <= held
    assert {"README.md", "DEVELOPERS.md", "CHANGELOG.md", "LICENSE", "constraints.txt", "pyproject.toml"} <= held


def test_the_demo_does_the_whole_job_from_the_wheel_alone_and_tells_it_in_ten_lines(site: Path, tmp_path: Path):
    where = python(site, tmp_path, "-c", "import analysis, recorder; print(analysis.__file__, recorder.__file__)")
    assert all(Path(name).is_relative_to(site) for name in where.stdout.split()), where.stdout + where.stderr
    done = python(site, tmp_path, "-m", "analysis", "demo", "--out", "demo")
    assert done.returncode == 0, done.stderr
    lines = done.stdout.splitlines()
    assert len(lines) == 10
    assert "condenser loses its airflow, 4 times" in lines[0]
    assert lines[5].startswith("Repaired  No fault seen")
    for step in ("1 of 6", "2 of 6", "3 of 6", "4 of 6", "5 of 6", "6 of 6"):
        assert step in done.stderr
    names = [line.removeprefix("Open").strip().split("  - ")[0] for line in lines if line.startswith("Open")]
    assert len(names) == 3
    assert all((tmp_path / name).stat().st_size > 10_000 for name in names)
    (recorded,) = (tmp_path / "demo" / "recordings").iterdir()
    recording = open_recording(recorded)
    assert recording.sealed
    assert recording.intact
    assert [mark.kind for mark in recording.marks] == ["complaint"]
    assert recording.nodes[0]["counters"]["lost"] == 0


def test_tables_are_read_from_the_wheel(site: Path, tmp_path: Path):
    """Type K at 100 degC (NIST SRD 60), R-134a at 25 degC (reference_values section 1.5, absolute)."""
    opened = python(
        site,
        tmp_path,
        "-c",
        "from recorder.thermocouples import emf_uv; from analysis.refrigerant import refrigerant;"
        "print(round(float(emf_uv('K', 100.0))), round(float(refrigerant('R-134a').pressure_at(25.0))))",
    )
    assert opened.stdout.split() == ["4096", "665"], opened.stderr


def test_a_notebook_opens_the_shipped_drive_from_the_wheel(site: Path, tmp_path: Path):
    opened = python(site, tmp_path, "-c", "import analysis; print(analysis.open_recording('demo').episodes[0])")
    assert opened.stdout.startswith("Episode(condenser loses its airflow, "), opened.stderr


def imported_names() -> set[str]:
    """First part of every absolute import in both packages, also inside functions."""
    found: set[str] = set()
    for name in files_of(*PACKAGES):
        if name.endswith(".py"):
            for node in ast.walk(ast.parse((ROOT / name).read_text(encoding="utf-8"))):
                if isinstance(node, ast.Import):
                    found |= {alias.name.partition(".")[0] for alias in node.names}
                elif isinstance(node, ast.ImportFrom) and node.level == 0:
                    found.add(str(node.module).partition(".")[0])
    return found


def test_every_library_that_is_imported_is_declared():
    extras = PROJECT["optional-dependencies"]
    declared = {line.split(">")[0].split("<")[0].lower() for line in [*PROJECT["dependencies"], *extras["cluster"]]}
    needed = imported_names() - set(sys.stdlib_module_names) - set(PACKAGES)
    owners = metadata.packages_distributions()
    undeclared = {n for n in needed if not {owner.lower() for owner in owners.get(n, [n])} & declared}
    assert undeclared == set()


def test_the_metadata_say_what_the_project_file_says(site: Path):
    (about,) = metadata.distributions(path=[str(site)])
    assert (about.name, about.version) == (PROJECT["name"], PROJECT["version"])
    assert about.metadata["Requires-Python"] == ">=3.11"
    (command,) = about.entry_points.select(group="console_scripts")
    assert (command.name, command.value) == ("warmspell", "analysis.commands:main")
    changes = (ROOT / "CHANGELOG.md").read_text(encoding="utf-8")
    assert f"## {PROJECT['version']}" in changes
