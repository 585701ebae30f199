"""The whole job on the shipped recording: a node speaks on a line, the recorder's own commands take it down.

Each step is the command that a technician would type, run as a process of its own: replay, record, mark, seal, check.
"""

import os
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

from analysis import wording
from analysis.findings import Findings
from recorder.errors import InputError

SPEED = 120.0
BEFORE, AFTER = "minibus-7-before", "minibus-7-after"
MARK_AT_S = 1101.5
"""The moment at which the driver of the invented drive complains."""
LONGEST_WAIT_S = 120.0
SHOW_EVERY_S = 2.5

Say = Callable[[str], None]


def shipped_recordings() -> Path:
    """Folder of the demo recordings: inside the installed package, else beside it in the repository.

    Raises InputError where they are missing.
    """
    inside = Path(__file__).parent / "recordings"
    beside = Path(__file__).parent.parent / "recordings"
    for folder in (inside, beside):
        if (folder / BEFORE).is_dir():
            return folder
    raise InputError(f"{inside}: the demo recordings are missing; install Warmspell again.")


def run_demo(out: Path, say: Say, tell: Say) -> None:
    """Replay, record, mark, seal, check, analyse and report the demo; ``say`` shows progress, ``tell`` the result.

    Raises
    ------
    InputError
        If a step fails, with what it said.
    """
    from analysis.claim import write_report
    from analysis.diagnose import diagnose
    from recorder.recording import open_recording, short_digest
    from recorder.store import software

    source = shipped_recordings()
    started = time.monotonic()
    say("An invented drive of Harrow Vale Community Transport's minibus 7, replayed as a node on a serial line.")
    folder = record_over_the_line(source / BEFORE, out / "recordings", SPEED, say)
    say("5 of 6  check: every file against its seal")
    _run("check", str(folder))
    recording = open_recording(folder)
    say("6 of 6  analyse and report")
    findings = diagnose(recording, software())
    files = write_report(recording, out / "before", software())
    repaired = open_recording(source / AFTER)
    after = diagnose(repaired, software())
    write_report(repaired, out / "after", software())
    say(f"done in {time.monotonic() - started:.0f} s\n")
    for line in ten_lines(findings, after, short_digest(recording.digest or ""), folder, files, out):
        tell(line)


def ten_lines(
    findings: Findings, after: Findings, digest: str, folder: Path, files: list[Path], out: Path
) -> list[str]:
    """What was found and which files to open."""
    cause = wording.leading(findings)
    longest = max(findings.episodes, key=lambda e: e.end_s - e.start_s, default=None)
    seen = "no episode"
    if longest is not None:
        seen = f"longest {wording.span(longest.start_s, longest.end_s)}: {longest.evidence[0].says}"
    by_name = {path.name: path for path in files}
    return [
        f"Found     {wording.verdict(findings)}",
        f"Seen      {seen}",
        f"Glance    {findings.coverage.says}.",
        f"For       {cause.reasons_for[1] if cause and len(cause.reasons_for) > 1 else 'no cause stands out'}",
        f"Next      {cause.next_check if cause else 'drive on until the fault shows'}",
        f"Repaired  {wording.verdict(after)}",
        f"Recorded  {folder} (digest {digest})",
        f"Open      {by_name['report.html']}  - the trace, to zoom",
        f"Open      {by_name['claim-sheet.pdf']}  - the claim sheet, to hand in",
        f"Open      {out / 'after' / 'report.html'}  - the same bus after the repair",
    ]


def record_over_the_line(source: Path, out: Path, speed: float, say: Say) -> Path:
    """Replay a recording on a line and record it with the recorder's own commands; returns the sealed recording.

    Raises InputError, with what it said, if a step fails.
    """
    out.mkdir(parents=True, exist_ok=True)
    job = out / "job.json"
    _write_job(source, job)
    say(f"1 of 6  replay: a node speaks, {speed:.0f} times faster than the drive")
    node = subprocess.Popen(
        _command("replay", str(source), "--speed", f"{speed:g}"),
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env=_environment(),
    )
    try:
        port = node.stdout.readline().strip() if node.stdout else ""
        if not port:
            raise InputError(f"the replay did not start: {node.stderr.read().strip() if node.stderr else ''}")
        say(f"2 of 6  record: from {port}")
        folder = _record(port, job, out, speed, say)
        node.wait(timeout=LONGEST_WAIT_S)
    finally:
        _end(node)
        job.unlink(missing_ok=True)
    return folder


def _record(port: str, job: Path, out: Path, speed: float, say: Say) -> Path:
    known = {path.name for path in out.iterdir()}
    recorder = subprocess.Popen(
        _command("record", port, "--job", str(job), "--out", str(out)),
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env=_environment(),
    )
    try:
        folder = _new_folder(out, known)
        began = shown = time.monotonic()
        time.sleep(MARK_AT_S / speed)
        said = _run("mark", "complaint", "driver: warm now", "--recording", str(folder))
        say(f"3 of 6  mark: {said}")
        while recorder.poll() is None:
            if time.monotonic() - shown > SHOW_EVERY_S:
                shown = time.monotonic()
                kept = sum(journal.stat().st_size for journal in folder.glob("*.journal"))
                say(
                    f"        about {wording.clock((shown - began) * speed)} driven, {kept / 1e3:.0f} kB in the journal"
                )
            if time.monotonic() - began > LONGEST_WAIT_S:
                raise InputError(f"{port}: the recording did not end within {LONGEST_WAIT_S:.0f} s.")
            time.sleep(0.2)
        printed, told = recorder.communicate()
        if recorder.returncode != 0:
            raise InputError(f"record: {told.strip()}")
        say("4 of 6  seal: " + told.strip().splitlines()[-1])
        return Path(printed.strip())
    finally:
        _end(recorder)


def _new_folder(out: Path, known: set[str]) -> Path:
    deadline = time.monotonic() + 20.0
    while time.monotonic() < deadline:
        for path in out.iterdir():
            if path.name not in known and (path / "opening.json").exists():
                return path
        time.sleep(0.05)
    raise InputError(f"{out}: the recording did not start.")


def _write_job(source: Path, path: Path) -> None:
    """The job sheet of the shipped recording, without its marks: the demo presses its own."""
    import json

    from recorder.recording import open_recording

    sheet = open_recording(source).job.to_dict()
    sheet.pop("marks", None)
    sheet["name"] = f"{sheet.get('name', 'demo')} recorded"
    path.write_text(json.dumps(sheet), encoding="utf-8")


def _command(*words: str) -> list[str]:
    # -P: a folder named analysis where the technician happens to stand must not be run instead.
    return [sys.executable, "-P", "-m", "analysis", *words]


def _environment() -> dict[str, str]:
    """The children's environment: they find this very package."""
    return {**os.environ, "PYTHONPATH": str(Path(__file__).parent.parent)}


def _run(*words: str) -> str:
    done = subprocess.run(
        _command(*words), capture_output=True, text=True, check=False, timeout=LONGEST_WAIT_S, env=_environment()
    )
    said = (done.stdout + done.stderr).strip()
    if done.returncode != 0:
        raise InputError(f"{words[0]}: {said}")
    return said


def _end(process: "subprocess.Popen[str]") -> None:
    """Leave no process behind."""
    if process.poll() is None:
        process.terminate()
        try:
            process.wait(timeout=5.0)
        except subprocess.TimeoutExpired:
            process.kill()
    for pipe in (process.stdout, process.stderr):
        if pipe is not None:
            pipe.close()
