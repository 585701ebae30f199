"""What the page costs, each figure beside what is asked and beside a floor of the same run: python -m tests.bench.page.

A real recorder, a real node on a line, a real browser. Named, a part runs alone: ``start``, ``live``, ``episodes``,
``zoom``, ``list``, ``newcomer``.
"""

import os
import shutil
import socket
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
from playwright.sync_api import Page

from analysis.diagnose import diagnose_timeline
from analysis.page.gathered import Gathered
from analysis.timeline import timeline_of
from recorder.recording import open_recording
from recorder.sealing import seal
from tests.archive.made import copies_of, small_recording
from tests.bench.long import long_recording
from tests.conftest import ROOT
from tests.page.browser import DESK, PHONE, Watched, chromium
from tests.page.conftest import Served, serve, until
from tests.page.made import UnderWay

Row = tuple[str, str, str, str]
"""What, measured, asked, floor."""
PLACES = ("low_side", "high_side", "suction_line", "liquid_line", "vent", "return_air", "ambient", "clutch")
LIVE_S = 20.0
HOURS, FROM_S, LEAD_S = 1.5, 3600.0, 20.0
"""Length of the drive in which an episode is waited for, from which second on, how long before it the page opens."""
DELAYS = """
() => { window.delays = []; const test = document.getElementById("test");
  new MutationObserver(() => window.delays.push(Number(test.dataset.delay)))
    .observe(test, {attributes: true, attributeFilter: ["data-delay"]}); }
"""
ZOOMS = ((0.0, 28800.0), (3600.0, 7200.0), (14000.0, 14600.0), (20000.0, 20030.0), (9000.0, 27000.0))


def _cpu_s(pid: int) -> float:
    fields = Path(f"/proc/{pid}/stat").read_text(encoding="utf-8").rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def _children(pid: int) -> list[int]:
    """Processes beside the server, whichever of its threads began them."""
    stats = [path.read_text(encoding="utf-8") for path in Path("/proc").glob("[0-9]*/stat") if path.exists()]
    fields = [(int(stat.split(" ", 1)[0]), int(stat.rpartition(")")[2].split()[1])) for stat in stats]
    return [child for child, parent in fields if parent == pid]


def _node(folder: Path) -> Path:
    """A sealed recording of eight channels at 10 Hz, to be played as a node in real time."""
    made = UnderWay(folder, PLACES, rate_hz=10.0)
    t = np.arange(1200) / 10.0
    wave = np.sin(t[:, None] / np.arange(3, 3 + len(PLACES)))
    made.send(np.array([200.0, 1400.0, 10.0, 45.0, 8.0, 28.0, 31.0, 13.5]) * (1.0 + 0.02 * wave))
    made.store.close()
    seal(made.folder, "bench")
    return made.folder


def live(folder: Path) -> Iterator[Row]:
    """Delay from a sample's arrival to its drawing, and what the server takes meanwhile."""
    command = [sys.executable, "-m", "analysis", "replay", str(_node(folder)), "--tcp"]
    replay = subprocess.Popen(command, stdout=subprocess.PIPE, text=True, cwd=ROOT)
    assert replay.stdout is not None
    address = replay.stdout.readline().strip()
    served = serve(folder / "out")
    try:
        job = {"refrigerant": "R-134a"}
        name = served.post("/api/record", {"job": job, "addresses": [address]}).json()["name"]
        with chromium() as browser:
            page = Watched(browser, DESK).page
            page.goto(f"{served.base}/test/{name}")
            page.wait_for_selector("#ladder svg")
            time.sleep(5.0)
            page.evaluate(DELAYS)
            own, workers = served.process.pid, _children(served.process.pid)
            before = _cpu_s(own), sum(map(_cpu_s, workers))
            time.sleep(LIVE_S)
            took = _cpu_s(own) - before[0], sum(map(_cpu_s, workers)) - before[1]
            delays = page.evaluate("window.delays")
        served.post(f"/api/stop/{name}")
    finally:
        served.end()
        replay.kill()
        replay.communicate()
    p95 = statistics.quantiles(delays, n=20)[-1]
    middle = statistics.median(delays)
    yield f"sample to screen, p95 of {len(delays)}", f"{p95:.0f} ms", "250 ms", f"median {middle:.0f} ms"
    yield "server, share of a core", f"{100 * took[0] / LIVE_S:.1f} %", "5 %", ""
    yield "live detectors beside it, share of a core", f"{100 * took[1] / LIVE_S:.1f} %", "-", ""


def episodes(folder: Path) -> Iterator[Row]:
    """An hour into a drive at 10 Hz: how long after an episode can be recognised it stands on the screen.

    What the detectors say of the drive up to each second tells when it can be recognised.
    """
    source = open_recording(long_recording(folder, HOURS, 10.0)).streams[0]
    rows = np.column_stack([source.data[place].to_numpy() for place in PLACES])
    job = {"metering": "expansion_valve", "compressor": "cycling_clutch"}
    probe = UnderWay(folder / "probe", PLACES, 10.0, **job)
    gathered = Gathered(probe.folder)
    seen_s = _recognised(probe, gathered, rows)
    began = int(10 * (seen_s - LEAD_S))
    made = UnderWay(folder / "out", PLACES, 10.0, ago_s=began / 10, **job)
    made.send(rows[:began])
    served = serve(folder / "out")
    try:
        with made.beating(), chromium() as browser:
            page = Watched(browser, DESK).page
            page.goto(f"{served.base}/test/{made.folder.name}")
            page.wait_for_selector("#episodes li")
            before = page.evaluate(NEWEST)
            own, workers = served.process.pid, _children(served.process.pid)
            took = _cpu_s(own), sum(map(_cpu_s, workers))
            shown_s, lasted_s = _played(made, rows[began:], page, before)
            shares = [
                100 * (now - then) / lasted_s
                for now, then in zip((_cpu_s(own), sum(map(_cpu_s, workers))), took, strict=True)
            ]
    finally:
        served.end()
        made.store.close()
        probe.store.close()
    yield (
        "episode on the screen after it can be recognised",
        f"{shown_s - LEAD_S:.1f} s",
        "10 s",
        f"at {seen_s:.0f} s of the drive",
    )
    yield "server then, share of a core", f"{shares[0]:.1f} %", "5 %", ""
    yield "live detectors beside it, share of a core", f"{shares[1]:.1f} %", "5 %", "both together"


NEWEST = "document.querySelector('#episodes li b')?.textContent"


def _recognised(made: UnderWay, gathered: Gathered, rows: np.ndarray) -> float:
    """Second of the drive from which on the detectors know an episode that they did not know at the start of it."""
    known = 0
    at = int(10 * FROM_S)
    made.send(rows[:at])
    while True:
        timeline = timeline_of(gathered.recording())
        assert timeline is not None
        findings, _ = diagnose_timeline(gathered.recording(), timeline, "bench")
        found = len(findings.episodes)
        if at > 10 * FROM_S and found > known:
            return at / 10
        known = found
        made.send(rows[at : at + 10])
        at += 10


def _played(made: UnderWay, rows: np.ndarray, page: Page, before: str | None) -> tuple[float, float]:
    """Send rows in real time until another episode stands at the top; seconds to that, and all in all."""
    began = time.monotonic()
    shown_s: float | None = None
    for number in range(len(rows)):
        made.send(rows[number])
        if number % 5 == 0 and shown_s is None and page.evaluate(NEWEST) != before:
            shown_s = time.monotonic() - began
        if shown_s is not None and time.monotonic() - began > max(2 * LEAD_S, shown_s):
            break
        time.sleep(max(0.0, began + (number + 1) / 10 - time.monotonic()))
    assert shown_s is not None
    return shown_s, time.monotonic() - began


def list_(folder: Path) -> Iterator[Row]:
    """The list of 10,000 recordings: answered, searched."""
    copies_of(small_recording(folder / "small"), folder / "out", 10_000)
    served = serve(folder / "out")
    try:
        first_s = _asked(served, "/api/list")
        again_s = min(_asked(served, "/api/list") for _ in range(3))
        search_s = min(_asked(served, "/api/list?q=minibus+HV&verdict=") for _ in range(3))
        floor_s = min(_asked(served, "/static/mark.svg") for _ in range(3))
    finally:
        served.end()
    floor = f"an empty answer {1e3 * floor_s:.0f} ms"
    yield "list of 10,000 recordings, first", f"{first_s:.1f} s", "-", "reads what each says of itself, once"
    yield "list of 10,000 recordings, later", f"{1e3 * again_s:.0f} ms", "-", floor
    yield "search in 10,000 recordings", f"{1e3 * search_s:.0f} ms", "-", floor


def _until_open(command: list[str]) -> float:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    began = time.perf_counter()
    process = subprocess.Popen([*command, str(port)], stderr=subprocess.DEVNULL, stdout=subprocess.DEVNULL, cwd=ROOT)
    while True:
        try:
            socket.create_connection(("127.0.0.1", port), 0.05).close()
            break
        except OSError:
            time.sleep(0.002)
    took = time.perf_counter() - began
    process.terminate()
    process.wait()
    return took


def start(folder: Path) -> Iterator[Row]:
    """Time from the command to an open port, beside the standard library's own server."""
    own = [sys.executable, "-m", "analysis", "open", "--no-browser", "--out", str(folder), "--port"]
    floor = [sys.executable, "-m", "http.server", "--bind", "127.0.0.1"]
    best, least = (min(_until_open(command) for _ in range(5)) for command in (own, floor))
    yield "command to open port", f"{1e3 * best:.0f} ms", "400 ms", f"http.server {1e3 * least:.0f} ms"


def zoom(folder: Path) -> Iterator[Row]:
    """8 h at 100 Hz: until trace and findings stand, once and again, and what each zoom takes."""
    made = long_recording(folder, 8, 100)
    channels = len(open_recording(made).streams[0].channels)
    (folder / "out").mkdir()
    shutil.move(made, folder / "out" / "long")
    served = serve(folder / "out")
    try:
        opened = [_opened(served)]
        served.end()
        served = serve(folder / "out")
        opened.append(_opened(served))
        first_zoom_s = _answered(served, ZOOMS[1])
        times = [_answered(served, window) for window in ZOOMS for _ in range(3)]
        floor = min(_asked(served, "/api/list") for _ in range(5))
        with chromium() as browser:
            page = Watched(browser, DESK).page
            page.goto(f"{served.base}/write-up/long", timeout=60_000)
            page.wait_for_selector("#trace .scatterlayer .trace", timeout=60_000)
            shown: list[float] = []
            for key in ("+", "+", "+", "-", "0"):
                stood = page.get_attribute("#trace", "data-window")
                page.keyboard.press(key)
                until(lambda stood=stood: page.get_attribute("#trace", "data-window") != stood)
                shown.append(float(page.get_attribute("#trace", "data-took") or "nan"))
    finally:
        served.end()
    for words, (trace_s, findings_s) in zip(("first", "second"), opened, strict=True):
        yield f"8 h, {channels} channels, 100 Hz: {words} opening, trace", f"{trace_s:.1f} s", "-", ""
        yield f"8 h, {channels} channels, 100 Hz: {words} opening, findings", f"{findings_s:.1f} s", "-", ""
    yield "first zoom after it was opened from what was kept", f"{1e3 * first_zoom_s:.0f} ms", "-", "reads the channels"
    yield "zoom, server, slowest", f"{1e3 * max(times):.0f} ms", "150 ms", f"an empty answer {1e3 * floor:.0f} ms"
    yield "zoom, on the screen, slowest", f"{max(shown):.0f} ms", "400 ms", f"median {statistics.median(shown):.0f} ms"


def _opened(served: Served) -> tuple[float, float]:
    """Seconds until the trace is drawn and until the findings stand, in a browser of its own."""
    with chromium() as browser:
        page = Watched(browser, DESK).page
        began = time.perf_counter()
        page.goto(f"{served.base}/write-up/long")
        page.wait_for_selector("#trace .scatterlayer .trace")
        trace_s = time.perf_counter() - began
        page.wait_for_selector("#write")
        return trace_s, time.perf_counter() - began


def newcomer(folder: Path) -> Iterator[Row]:
    """From the first screen to the claim sheet by nothing but the largest button, on a phone-sized window."""
    served = serve(folder, "--demo")
    try:
        with chromium() as browser:
            page = Watched(browser, PHONE).page
            page.goto(served.base)
            began = time.perf_counter()
            page.click("#demo")
            page.wait_for_url("**/test/**")
            page.wait_for_selector("#cue:not([hidden])", timeout=90_000)
            page.click("[data-mark=complaint]")
            page.wait_for_url("**/write-up/**", timeout=120_000)
            page.wait_for_selector("#write", timeout=60_000)
            said = page.inner_text(".verdict strong")
            page.click("#write")
            page.wait_for_selector(".papers img", timeout=60_000)
            took = time.perf_counter() - began
    finally:
        served.end()
    yield "newcomer: demo, fault, claim sheet", f"{took:.0f} s", "180 s", said


def _answered(served: Served, window: tuple[float, float]) -> float:
    return _asked(served, f"/api/trace/long?start={window[0]}&end={window[1]}&buckets=1400")


def _asked(served: Served, path: str) -> float:
    began = time.perf_counter()
    served.get(path)
    return time.perf_counter() - began


PARTS = {"start": start, "live": live, "episodes": episodes, "zoom": zoom, "list": list_, "newcomer": newcomer}


def main() -> None:
    """Print the figures as they are had."""
    print(f"{'what':52} {'measured':>10} {'asked':>8}  floor")
    for name in sys.argv[1:] or PARTS:
        with tempfile.TemporaryDirectory(prefix="warmspell-bench-", ignore_cleanup_errors=True) as folder:
            for what, measured, asked, floor in PARTS[name](Path(folder)):
                print(f"{what:52} {measured:>10} {asked:>8}  {floor}", flush=True)


if __name__ == "__main__":
    main()
