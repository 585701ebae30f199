"""The page as a process of its own, and requests to it as any program could make them."""

import http.client
import json
import os
import re
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from tests.bench.long import long_recording
from tests.conftest import ROOT
from tests.page.made import Making, UnderWay


@dataclass
class Answer:
    """What a request got."""

    status: int
    headers: dict[str, str]
    body: bytes

    def json(self) -> Any:
        """The body as JSON."""
        return json.loads(self.body)


@dataclass
class Served:
    """A page that runs."""

    process: subprocess.Popen[str]
    port: int
    out: Path
    said: list[str]
    cookie: str = ""
    extra: dict[str, str] = field(default_factory=dict)

    @property
    def base(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def request(self, method: str, path: str, body: bytes | None = None, **headers: str) -> Answer:
        """One request over a connection of its own; a header named Host replaces the right one."""
        line = http.client.HTTPConnection("127.0.0.1", self.port, timeout=60)
        line.putrequest(method, path, skip_host=True, skip_accept_encoding=True)
        sent = {"Host": f"127.0.0.1:{self.port}", **self.extra, **{k.replace("_", "-"): v for k, v in headers.items()}}
        if body is not None:
            sent.setdefault("Content-Length", str(len(body)))
        for name, value in sent.items():
            line.putheader(name, value)
        line.endheaders(body)
        answer = line.getresponse()
        found = Answer(answer.status, {k.lower(): v for k, v in answer.getheaders()}, answer.read())
        line.close()
        return found

    def get(self, path: str, **headers: str) -> Answer:
        """GET."""
        return self.request("GET", path, **headers)

    def write_up(self, name: str, **headers: str) -> Answer:
        """The write-up with everything that the analysis found."""
        self.get(f"/api/review/{name}")
        return self.get(f"/write-up/{name}", **headers)

    def post(self, path: str, values: object = None, **headers: str) -> Answer:
        """POST of JSON."""
        return self.request("POST", path, json.dumps(values if values is not None else {}).encode(), **headers)

    def end(self) -> None:
        """Ctrl-C, as the technician would; killed if it does not listen."""
        self.process.terminate()
        try:
            self.process.communicate(timeout=30)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.communicate()


def serve(out: Path, *options: str) -> Served:
    """Start ``warmspell open`` on a free port."""
    command = [sys.executable, "-m", "analysis", "open", "--port", "0", "--no-browser", "--out", str(out), *options]
    process = subprocess.Popen(
        command,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
        cwd=ROOT,
        env={**os.environ, "PYTHONPATH": str(ROOT), "WARMSPELL_RECORDINGS": str(out)},
    )
    assert process.stderr is not None
    said: list[str] = []
    while not (said and said[-1].startswith("Ctrl-C")):
        line = process.stderr.readline()
        assert line, said
        said.append(line.rstrip("\n"))
    port = re.search(r"http://127\.0\.0\.1:(\d+)/", said[0])
    assert port
    return Served(process, int(port[1]), out, said)


def until(true: Callable[[], bool], within_s: float = 60.0) -> None:
    """Wait for something outside the browser."""
    deadline = time.monotonic() + within_s
    while not true():
        assert time.monotonic() < deadline
        time.sleep(0.05)


@pytest.fixture(scope="session")
def drive(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo's drive over and over for eight hours: however fast it is played and however slow the machine, no test
    sees its end.
    """
    return long_recording(tmp_path_factory.mktemp("drive"), 8.0, 4.0)


@pytest.fixture(scope="session")
def page(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """A page over a folder with the shipped recordings and two damaged ones."""
    import shutil

    out = tmp_path_factory.mktemp("page")
    for name in ("minibus-7-before", "minibus-7-after"):
        shutil.copytree(ROOT / "recordings" / name, out / name)
    broken = Path(shutil.copytree(out / "minibus-7-before", out / "minibus-7-broken"))
    (broken / "recording.json").write_text("{", encoding="utf-8")
    for name in ("minibus-7-corrected", "minibus-7-marked"):
        shutil.copytree(out / "minibus-7-before", out / name)
    altered = Path(shutil.copytree(out / "minibus-7-before", out / "minibus-7-altered"))
    (altered / "marks.jsonl").write_text("", encoding="utf-8")
    shutil.copytree(out / "minibus-7-after", out / "2025 July" / "after~the repair, 100 %")
    (out / "elsewhere").symlink_to(ROOT / "recordings" / "minibus-7-after")
    served = serve(out, "--demo")
    yield served
    served.end()


@pytest.fixture
def under_way(tmp_path: Path) -> Iterator[Making]:
    """Makes recordings under way, and closes their files with the test."""
    made: list[UnderWay] = []

    def make(*values: Any, **named: Any) -> UnderWay:
        made.append(UnderWay(tmp_path, *values, **named))
        return made[-1]

    yield make
    for one in made:
        one.store.close()
