"""The screens, as HTML from templates: they stand without a script, scripts fill in what moves."""

import asyncio
from collections.abc import Mapping
from pathlib import Path
from typing import Any
from urllib.parse import quote

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import FileResponse, JSONResponse, RedirectResponse, Response
from starlette.templating import Jinja2Templates

from analysis.page import desk, under_way
from analysis.page.actions import TooLargeError, shelf_of, units_of
from analysis.page.fit_up import BOARD, PRE_CHECKS
from analysis.page.forms import GROUPS, typed_of
from analysis.page.opened import PATIENCE_S
from analysis.page.shelf import SHEET_TYPES, NotHereError, Shelf
from recorder.errors import InputError
from recorder.places import PLACES
from recorder.store import default_folder

TEMPLATES = Jinja2Templates(Path(__file__).parent / "templates")
MARKS = (
    ("complaint", "Complaint", "c"),
    ("note", "Note", "n"),
    ("engine_on", "Engine on", "e"),
    ("engine_off", "Engine off", "o"),
    ("ac_on", "A/C on", "a"),
    ("ac_off", "A/C off", "x"),
    ("raised_idle", "Raised idle", "r"),
    ("recovery", "Recovery", "y"),
    ("vacuum", "Vacuum", "v"),
    ("charging", "Charging", "g"),
    ("recharged", "Recharged", "h"),
    ("repaired", "Repaired", "p"),
)
"""Kind, words, key."""
MOST_TO_CHOOSE = 300
"""Recordings to compare with, the newest; others are reached from their write-up."""
UNFORESEEN = "The page itself is at fault here. No recording is touched; one under way goes on. The terminal says more."
CARE_AT_CHECKS = (
    "Before a hand goes in: engine off, and the fan's plug or fuse out, for a fan can start by itself. "
    "Couplers stay closed while there is pressure; eyes and hands protected. "
    "The vehicle maker's instructions come first."
)
CAUTIONS_ON_TEST = (
    "A passenger watches this page, never the driver.",
    "Hot, moving and self-starting parts: hands, hoses and leads clear of belt and fan.",
    "High pressure and refrigerant burns: eye and hand protection. No flame near R-1234yf or R-152a.",
    "The vehicle maker's instructions, local codes and licensed practice come first.",
)


def _page(request: Request, template: str, values: Mapping[str, Any], status: int = 200) -> Response:
    running = under_way.alive(shelf_of(request))
    context = {"running": running, "demo": request.app.state.demo, **values}
    return TEMPLATES.TemplateResponse(request, template, context, status_code=status)


async def home(request: Request) -> Response:
    """What is recorded, and what to do next."""
    return _page(request, "home.html", {"screen": "write-up", "invitations": _invitations(request)})


def _invitations(request: Request) -> list[dict[str, str]]:
    """How a phone gets here, where the page is open to the network: address, token, square code."""
    token = request.app.state.token
    if token is None:
        return []
    import segno

    from analysis.page.serve import invitations_to

    return [
        {"address": address, "token": token, "code": segno.make(whole, error="l").svg_data_uri(scale=4, border=3)}
        for address, whole in invitations_to(request.url.port or 80, token)
    ]


async def fit_up(request: Request) -> Response:
    """Job sheet, pre-checks, nodes."""
    from recorder.calibrate import CAUTIONS, GENERAL_CAUTION

    values: dict[str, Any] = {
        "screen": "fit-up",
        "groups": GROUPS[:3],
        "typed": typed_of(under_way.demo_job(under_way.demo_source()).to_dict()) if request.app.state.demo else {},
        "checks": PRE_CHECKS,
        "board": [{"title": title, "places": places} for title, places in BOARD],
        "places": {place.name: {"title": place.title, "quantity": place.quantity} for place in PLACES.values()},
        "zero_caution": f"{CAUTIONS['zero']} {GENERAL_CAUTION}",
    }
    return _page(request, "fit_up.html", values)


async def on_test(request: Request) -> Response:
    """The live ladder of a recording under way; one that has ended is shown as its write-up."""
    from analysis.page.guided import guided_tests

    name = request.path_params["name"]
    folder = shelf_of(request).folder(name)
    if not (folder / "opening.json").exists():
        return RedirectResponse(f"/write-up/{quote(name)}", 303)
    tests = [(name, module.TITLE) for name, module in guided_tests().items()]
    values = {
        "screen": "on-test", "name": name, "marks": MARKS, "tests": tests, "cautions": CAUTIONS_ON_TEST,
    }  # fmt: skip
    return _page(request, "on_test.html", values)


async def write_up(request: Request) -> Response:
    """One recording: verdict, trace, reasons, sheets."""
    shelf, name = shelf_of(request), request.path_params["name"]
    folder = shelf.folder(name)
    if name in under_way.alive(shelf) and not (folder / "recording.json").exists():
        return RedirectResponse(f"/test/{quote(name)}", 303)
    try:
        told = await request.app.state.openings.told(name, units_of(request), PATIENCE_S)
    except InputError as reason:
        says = str(reason).replace(f"{folder}/", "").replace(str(folder), folder.name)
        return _page(request, "damaged.html", {"screen": "write-up", "name": folder.name, "says": says})
    values = {
        "screen": "write-up",
        "name": name,
        "told": told or await asyncio.to_thread(_stated, shelf, folder),
        "worked_out": told is not None,
        "sheets": shelf.sheets(name),
        "photos": shelf.photos(name),
        "kinds": MARKS,
        "care": CARE_AT_CHECKS,
    }
    return _page(request, "write_up.html", values)


def _stated(shelf: Shelf, folder: Path) -> dict[str, Any]:
    """What a recording says of itself, while it is being analysed."""
    from analysis.archive.index import row_of

    row = row_of(shelf.out, folder.relative_to(shelf.out).as_posix())
    started = row["started_at"]
    return {"name": folder.name, "job": row, "started_at": started.isoformat() if started else None, "intact": True}


async def job_sheet(request: Request) -> Response:
    """The job sheet of a sealed recording, to correct."""
    name = request.path_params["name"]
    told = await request.app.state.openings.told(name, units_of(request))
    values = {"screen": "write-up", "name": name, "groups": GROUPS, "typed": typed_of(told["job"])}
    return _page(request, "job_sheet.html", values)


async def compare(request: Request) -> Response:
    """Two recordings side by side; without both, the choice."""
    shelf = shelf_of(request)
    names = {side: request.query_params.get(side, "") for side in ("before", "after")}
    whole = [entry for entry in await asyncio.to_thread(shelf.entries) if entry.state == "sealed" and not entry.wrong]
    entries = whole[:MOST_TO_CHOOSE] + [entry for entry in whole[MOST_TO_CHOOSE:] if entry.name in names.values()]
    values: dict[str, Any] = {"screen": "write-up", "entries": entries, "names": names, "told": None}
    if all(names.values()):
        folders = [str(shelf.folder(name)) for name in names.values()]
        values["told"] = await request.app.state.work.run("desk", desk.compared, *folders, units_of(request))
    return _page(request, "compare.html", values)


async def patterns(request: Request) -> Response:
    """Patterns over all recordings of the folder, from its last screening; without one, how to make it."""
    out = shelf_of(request).out
    command = "warmspell screen" if out == default_folder().resolve() else "warmspell screen FOLDER"
    told = await request.app.state.work.run("desk", desk.patterns, str(out), units_of(request))
    return _page(request, "patterns.html", {"screen": "write-up", "told": told, "command": command})


async def sheet(request: Request) -> Response:
    """A sheet that was written; the interactive report is handed out as a file, for its script is its own."""
    shelf, file = shelf_of(request), request.path_params["file"]
    if file not in shelf.sheets(request.path_params["name"]):
        raise NotHereError(f"'{file[:80]}': there is no such sheet.")
    path = shelf.sheets_folder(request.path_params["name"]) / file
    kind = SHEET_TYPES[path.suffix]
    shown = "inline" if path.suffix == ".png" else "attachment"
    name = f"{shelf.folder(request.path_params['name']).name}-{file}"
    return FileResponse(path, media_type=kind, filename=name, content_disposition_type=shown)


def _wants_json(request: Request) -> bool:
    return request.url.path.startswith("/api/")


async def _told_wrong(request: Request, fault: Exception) -> Response:
    says = str(fault)
    here = str(shelf_of(request).out)
    says = says.replace(f"{here}/", "").replace(here, "")
    status = 404 if isinstance(fault, NotHereError) else 400
    if _wants_json(request):
        return JSONResponse({"says": says}, status)
    return _page(request, "fault.html", {"screen": "", "says": says}, status)


async def _too_large(request: Request, fault: Exception) -> Response:  # noqa: ARG001 - a handler's signature
    return JSONResponse({"says": "That is larger than this page takes."}, 413)


async def _http(request: Request, fault: Exception) -> Response:
    status = fault.status_code if isinstance(fault, HTTPException) else 500
    says = {404: "There is no such page.", 500: UNFORESEEN}.get(status, "That cannot be done here.")
    if _wants_json(request):
        return JSONResponse({"says": says}, status)
    return _page(request, "fault.html", {"screen": "", "says": says}, status)


FAULTS: dict[Any, Any] = {InputError: _told_wrong, TooLargeError: _too_large, HTTPException: _http, Exception: _http}
