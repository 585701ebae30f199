"""What the sheets cost from findings, a working day of 12 channels, each beside a floor of the same process.

Asked (issue 4): PDF and PNG in under 1 s, HTML in under 1 s and under 1.5 MB, opened in under 1.5 s; start included.
The start is that of a fresh interpreter with the imports that a sheet needs.
"""

import gzip
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from tests.conftest import ROOT

HOURS, RATE_HZ = 8, 10
REPEATS = 3
LOOK = """
import time
began = time.process_time(), time.perf_counter()
from analysis.claim import customer, html, sheet
print(time.process_time() - began[0])
"""


def best(job: Callable[[], object]) -> tuple[float, float]:
    """Shortest wall time and processor time of several runs [s]."""
    took: list[tuple[float, float]] = []
    for _ in range(REPEATS):
        began = time.perf_counter(), time.process_time()
        job()
        took.append((time.perf_counter() - began[0], time.process_time() - began[1]))
    return min(wall for wall, _ in took), min(cpu for _, cpu in took)


def started() -> float:
    """Processor time [s] of a fresh interpreter that imports what a sheet needs."""
    before = os.times()
    subprocess.run([sys.executable, "-c", LOOK], cwd=ROOT, check=True, capture_output=True)
    after = os.times()
    return after.children_user + after.children_system - before.children_user - before.children_system


def opened_s(html: str, folder: Path) -> float:
    """Seconds until a real browser has drawn the report from disk."""
    from playwright.sync_api import sync_playwright

    path = folder / "report.html"
    path.write_text(html, encoding="utf-8")
    with sync_playwright() as player:
        browser = player.chromium.launch(executable_path="/usr/bin/chromium", args=["--no-sandbox", "--disable-gpu"])
        times: list[float] = []
        for _ in range(REPEATS):
            page = browser.new_page(viewport={"width": 1440, "height": 900})
            began = time.perf_counter()
            page.goto(path.as_uri())
            page.wait_for_selector("body[data-ready=yes]")
            times.append(time.perf_counter() - began)
            page.close()
        browser.close()
    return min(times)


def main() -> None:
    """Print the table."""
    import typst

    from analysis.claim.customer import customer_page
    from analysis.claim.html import html_of
    from analysis.claim.sheet import claim_sheet
    from analysis.claim.zoom import PLOTLY
    from analysis.diagnose import diagnose_timeline
    from analysis.preferences import Preferences
    from analysis.timeline import timeline_of
    from recorder.recording import open_recording
    from tests.bench.long import long_recording

    with tempfile.TemporaryDirectory(prefix="warmspell-bench-") as name:
        recording = open_recording(long_recording(Path(name), HOURS, RATE_HZ))
        timeline = timeline_of(recording)
        assert timeline is not None
        findings, case = diagnose_timeline(recording, timeline, "bench")
        start = min(started() for _ in range(REPEATS))
        floor = best(lambda: typst.compile(b"empty", format="pdf"))[1]
        library = PLOTLY.read_bytes()
        packing = best(lambda: gzip.compress(library, 9, mtime=0))[1]
        html = html_of(case, findings)
        rows = (
            ("start and imports", (start, start), "", 0.0),
            ("claim sheet, PDF and PNG", best(lambda: claim_sheet(case, findings, (), Preferences())), "typst", floor),
            ("customer page, PDF and PNG", best(lambda: customer_page(case, findings, Preferences())), "typst", floor),
            ("report, HTML", best(lambda: html_of(case, findings)), "gzip library", packing),
        )
        print(f"{'8 h x 12 channels, 10 Hz':28} {'wall s':>7} {'cpu s':>7}  {'floor':12} {'cpu s':>7} {'ratio':>6}")
        for what, (wall, cpu), against, least in rows:
            ratio = f"{cpu / least:6.1f}" if least else ""
            print(f"{what:28} {wall:7.2f} {cpu:7.2f}  {against:12} {least or 0.0:7.3f} {ratio}")
        print(f"report: {len(html.encode()) / 1e6:.2f} MB, drawn by chromium in {opened_s(html, Path(name)):.2f} s")


if __name__ == "__main__":
    main()
