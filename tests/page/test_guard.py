"""Who may speak to the page, each answer by a real request (RFC 9110 for 421 and 403, CSP Level 3 for the policy)."""

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from websockets.exceptions import InvalidStatus
from websockets.sync.client import connect

from tests.page.conftest import Served, serve

SCREENS = ("/", "/fit-up", "/write-up/minibus-7-before", "/write-up/minibus-7-before/job-sheet", "/nothing-here")


def handshake(page: Served, path: str, **headers: str) -> int:
    """Status of a WebSocket handshake; 101 when it was taken."""
    try:
        with connect(f"ws://127.0.0.1:{page.port}{path}", additional_headers=headers):
            return 101
    except InvalidStatus as refused:
        return refused.response.status_code


def test_it_listens_on_loopback_alone(page: Served):
    rows = [line.split() for line in Path("/proc/net/tcp").read_text().splitlines()[1:]]
    own = [row[1] for row in rows if row[3] == "0A" and int(row[1].split(":")[1], 16) == page.port]
    assert own == [f"0100007F:{page.port:04X}"]


@pytest.mark.parametrize(
    "host", ["harrow-vale.example", "127.0.0.1", "harrow-vale.example:{port}", "10.0.0.1:{port}", ""]
)
def test_a_foreign_host_is_misdirected(page: Served, host: str):
    answer = page.get("/", Host=host.format(port=page.port))
    assert answer.status == 421
    assert b"minibus" not in answer.body


def test_its_own_names_are_served(page: Served):
    assert page.get("/").status == 200
    assert page.get("/", Host=f"localhost:{page.port}").status == 200


@pytest.mark.parametrize(
    "origin", ["http://harrow-vale.example", "null", "https://127.0.0.1:{port}", "http://127.0.0.1"]
)
def test_a_foreign_origin_may_neither_post_nor_listen(page: Served, origin: str):
    origin = origin.format(port=page.port)
    assert page.post("/api/demo", Origin=origin).status == 403
    assert handshake(page, "/live/minibus-7-before", Origin=origin) == 403


def test_its_own_origin_may(page: Served):
    assert page.post("/api/missing", {"places": []}, Origin=page.base).status == 200
    assert handshake(page, "/live/minibus-7-before", Origin=page.base) == 404, "sealed: nothing to follow"


@pytest.fixture(scope="module")
def in_the_network(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    served = serve(tmp_path_factory.mktemp("lan"), "--lan")
    yield served
    served.end()


def token_of(served: Served) -> str:
    found = re.search(r"token=([a-z0-9]{16})", served.said[0])
    assert found
    return found[1]


def test_without_the_token_nothing_is_told(in_the_network: Served):
    for path in ("/", "/fit-up", "/api/list", "/static/paper.css"):
        assert in_the_network.get(path).status == 401
        assert in_the_network.get(f"{path}?token=wrong").status == 401
    assert in_the_network.post("/api/demo").status == 401
    assert handshake(in_the_network, "/live/x") == 401
    assert in_the_network.get("/", Cookie="warmspell=").status == 401


def test_the_token_is_kept_as_a_cookie_and_leaves_the_address(in_the_network: Served):
    answer = in_the_network.get(f"/?token={token_of(in_the_network)}")
    assert answer.status == 303
    assert answer.headers["location"] == "/"
    cookie = answer.headers["set-cookie"]
    assert "HttpOnly" in cookie
    assert "SameSite=strict" in cookie
    assert in_the_network.get("/", Cookie=cookie.split(";")[0]).status == 200
    assert in_the_network.get("/", Cookie="warmspell=" + "a" * 16).status == 401


def test_the_token_is_shown_as_text_and_as_a_square_code(in_the_network: Served):
    """Where this machine is in a network; a code of version 3 or 4 is at least 29 modules wide (ISO/IEC 18004)."""
    shown = [line for line in in_the_network.said if "█" in line]
    if any("in no network" in line for line in in_the_network.said):
        pytest.skip("this machine is in no network")
    assert token_of(in_the_network) in " ".join(in_the_network.said[1:])
    assert len(shown) >= 15
    assert len(set(map(len, shown))) == 1


def test_the_page_itself_shows_the_way_for_a_phone_too(in_the_network: Served, page: Served):
    text = in_the_network.get("/", Cookie=f"warmspell={token_of(in_the_network)}").body.decode()
    if any("in no network" in line for line in in_the_network.said):
        pytest.skip("this machine is in no network")
    assert token_of(in_the_network) in text
    assert 'src="data:image/svg+xml' in text
    assert b"token" not in page.get("/").body


def test_two_pages_draw_different_tokens(in_the_network: Served, tmp_path: Path):
    other = serve(tmp_path, "--lan")
    other.end()
    assert token_of(other) != token_of(in_the_network)


@pytest.mark.parametrize("path", SCREENS)
def test_the_policy_allows_no_inline_script_style_or_eval_and_no_screen_needs_one(page: Served, path: str):
    answer = page.get(path)
    policy = answer.headers["content-security-policy"]
    assert policy.startswith("default-src 'none'")
    assert "unsafe" not in policy
    assert "http" not in policy
    text = answer.body.decode()
    scripts = re.findall(r"<script([^>]*)>(.*?)</script>", text, re.DOTALL)
    assert all("src=" in head or "application/json" in head for head, _ in scripts)
    assert "<style" not in text
    assert not re.search(r"<[^>]+\s(style|on[a-z]+)=", text)
    assert not re.search(r"(src|href)=\"(https?:)?//", text)


@pytest.mark.parametrize(
    "path",
    [
        "/write-up/..", "/write-up/%2e%2e", "/write-up/..%2f..%2fetc", "/write-up/elsewhere", "/write-up/.page",
        "/sheets/minibus-7-before/..%2f..%2frecording.json", "/sheets/%2e%2e/verdicts.json", "/static/../guard.py",
        "/static/%2e%2e/guard.py", "/vendor/..%2f..%2fsheet.typ", "/api/review/..%2Fminibus-7-before",
    ],
)  # fmt: skip
def test_no_path_leaves_the_folder_of_recordings(page: Served, path: str):
    answer = page.get(path)
    assert answer.status in (400, 404)
    assert str(page.out) not in answer.body.decode()


@pytest.mark.parametrize("name", ["..", "elsewhere", "minibus-7-before%2f..", "x" * 300, "%00"])
def test_no_order_reaches_outside_either(page: Served, name: str):
    for path in ("mark", "stop", "seal", "sheets", "guided", "verdict"):
        assert page.post(f"/api/{path}/{name}", {"kind": "note"}).status in (400, 404), path


def test_bodies_are_bounded(page: Served):
    assert page.request("POST", "/api/job-sheet", b'{"vehicle": "' + b"x" * 300_000 + b'"}').status == 413
    assert page.request("POST", "/api/import", b"", Content_Length=str(10**12)).status == 413
    assert page.request("POST", "/api/job-sheet", b"[" * 100_000).status == 400
    assert page.request("POST", "/api/job-sheet", b"not json").status == 400


def test_an_unforeseen_body_is_told_in_a_sentence(page: Served):
    for body in (b"[]", b"null", b'"x"', b"\xff\xfe"):
        answer = page.request("POST", "/api/record", body)
        assert answer.status == 400
        assert answer.json()["says"].endswith(".")


ODD: tuple[object, ...] = ([], ["x"], {"x": 1}, 7, -1.5, True, None, "x", "", "\ud800", "../..", {"job": []}, [[]])
ORDERS = {
    "/api/record": ("job", "addresses", "places", "checks"),
    "/api/find": ("addresses",),
    "/api/missing": ("places",),
    "/api/zero": ("address", "altitude_m", "keep"),
    "/api/job-sheet": ("vehicle", "rated_charge_kg", "bogus"),
    "/api/amend/minibus-7-before": ("job", "by", "reason"),
    "/api/amend-mark/minibus-7-before": ("gone", "time", "kind", "text", "by"),
    "/api/comparison": ("before", "after", "units", "paper"),
    "/api/sheets/minibus-7-broken": ("units", "paper", "bundle"),
    "/api/drop-photo/minibus-7-before": ("photo",),
    "/api/mark/minibus-7-before": ("kind", "text"),
    "/api/guided/minibus-7-before": ("test", "confirm"),
    "/api/stop/minibus-7-before": ("x",),
    "/api/seal/minibus-7-before": ("x",),
}


@pytest.mark.parametrize("path", ORDERS)
def test_whatever_is_sent_is_refused_in_words_never_a_fault_of_the_page(page: Served, path: str):
    for key in ORDERS[path]:
        for value in ODD:
            if path == "/api/find" and not (isinstance(value, list) and value[:1] == ["x"]):
                continue  # an empty list asks every port of this machine
            if key == "address" and isinstance(value, str) and value:
                continue  # it would be listened to
            answer = page.post(path, {key: value})
            assert answer.status < 500, (key, value)
            answer.json()
