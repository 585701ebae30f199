"""What the page's scripts ask for and order: JSON in, JSON out, and the live feed."""

import asyncio
import json
import re
import tempfile
from dataclasses import asdict
from pathlib import Path
from typing import Any, cast

from starlette.background import BackgroundTask
from starlette.requests import Request
from starlette.responses import FileResponse, JSONResponse, Response
from starlette.websockets import WebSocket, WebSocketDisconnect

from analysis.page import desk, under_way
from analysis.page.fit_up import cannot_be_looked_for, lost_without, places_of, pre_checks_in_words
from analysis.page.forms import read_form
from analysis.page.shelf import Shelf
from recorder.assignment import Assignment, assignment_from
from recorder.errors import InputError

NO_DEMO = "the demo node is there with: warmspell open --demo"
UNITS = {"kpa": "kPa", "bar": "bar", "psi": "psi"}
PAPER_NAMES = {"a4": "a4", "letter": "letter"}
PHOTO_STARTS = {b"\xff\xd8\xff": ".jpg", b"\x89PNG\r\n\x1a\n": ".png"}
LARGEST_PHOTO, MOST_PHOTOS = 20_000_000, 24
"""As ``analysis.claim.photos``."""
BESIDE = "{} is being recorded. Stop it first, or press again to record a second one beside it."
LARGEST_FORM = 256_000
LARGEST_IMPORT = 300_000_000
MOST_LISTED = 300
LONGEST_TYPING_S = 3600.0
"""A note stands where its button was pressed, not where its last word was typed."""
MOST_ADDRESSES, MOST_TEXTS, LONGEST_NAME = 16, 200, 400


class TooLargeError(Exception):
    """A body beyond its bound."""


def shelf_of(request: Request | WebSocket) -> Shelf:
    """The shelf of the app."""
    return cast("Shelf", request.app.state.shelf)


def units_of(request: Request) -> str:
    """The units that this browser chose."""
    return UNITS.get(request.cookies.get("units", "kpa"), "kPa")


async def body_of(request: Request, most: int) -> bytes:
    """The request's body, refused as soon as it is longer than ``most`` bytes."""
    if int(request.headers.get("content-length", "0")) > most:
        raise TooLargeError
    held = bytearray()
    async for chunk in request.stream():
        held += chunk
        if len(held) > most:
            raise TooLargeError
    return bytes(held)


async def json_of(request: Request) -> dict[str, Any]:
    """The request's JSON object.

    Raises
    ------
    InputError
        If it is none.
    """
    try:
        values: object = json.loads(await body_of(request, LARGEST_FORM) or b"{}")
        json.dumps(values, ensure_ascii=False).encode()
    except UnicodeEncodeError:
        raise InputError("what was sent holds half a character (a lone surrogate).") from None
    except (ValueError, RecursionError):
        raise InputError("what was sent is not JSON.") from None
    if not isinstance(values, dict):
        raise InputError("what was sent is not a JSON object.")
    return cast("dict[str, Any]", values)


async def listing(request: Request) -> JSONResponse:
    """The recordings that match."""
    words, verdict_ = request.query_params.get("q", "")[:200], request.query_params.get("verdict", "")
    found = await asyncio.to_thread(shelf_of(request).entries, words, verdict_)
    return JSONResponse({"entries": [asdict(entry) for entry in found[:MOST_LISTED]], "count": len(found)})


async def verdict(request: Request) -> JSONResponse:
    """Analyse one recording of the list; what is found is kept for the next list and the next screening."""
    shelf = shelf_of(request)
    path = shelf.folder(request.path_params["name"]).relative_to(shelf.out).as_posix()
    return JSONResponse(await request.app.state.work.run("list", desk.verdict, str(shelf.out), path))


async def screen(request: Request) -> JSONResponse:
    """Analyse a few more of the recordings that are to be screened."""
    after = (await json_of(request)).get("after")
    shelf = shelf_of(request)
    told = await request.app.state.work.run(
        "list", desk.screen_on, str(shelf.out), after if isinstance(after, str) else ""
    )
    return JSONResponse(told)


def texts_in(asked: dict[str, Any], key: str) -> list[str]:
    """A list of short texts out of a request; whatever else it holds is left out."""
    values = asked.get(key)
    held = cast("list[object]", values) if isinstance(values, list) else []
    return [value.strip() for value in held[:MOST_TEXTS] if isinstance(value, str) and 0 < len(value.strip()) <= 200]


def not_an_address(address: str) -> bool:
    """Whether it could be taken for an option of a command."""
    return address.startswith("-") or not address.isprintable()


async def find(request: Request) -> JSONResponse:
    """Nodes that answer: at the addresses named, else on all serial ports and by radio."""
    named = texts_in(await json_of(request), "addresses")
    if any(map(not_an_address, named)):
        raise InputError("that cannot be read as the address of a node.")
    demo = request.app.state.demo
    if named == [under_way.DEMO]:
        return JSONResponse({"nodes": [under_way.demo_node()], "remarks": []})
    found = await request.app.state.work.run("line", desk.find, named, not named and not demo)
    if demo and not named:
        found["nodes"].insert(0, under_way.demo_node())
    return JSONResponse(found)


async def zero_check(request: Request) -> JSONResponse:
    """How far a node's sensors are off; corrects the zero of those that are named."""
    asked = await json_of(request)
    address, altitude_m = asked.get("address"), asked.get("altitude_m")
    if not isinstance(address, str) or not address or not_an_address(address) or address == under_way.DEMO:
        raise InputError("the zero check needs a node that is really there.")
    altitude = float(altitude_m) if isinstance(altitude_m, int | float) and -500 <= altitude_m <= 6000 else 0.0
    told = await request.app.state.work.run("line", desk.zero_check, address, altitude, texts_in(asked, "keep"))
    return JSONResponse(told)


async def missing(request: Request) -> JSONResponse:
    """What the places that are not clipped on cost."""
    held = places_of(texts_in(await json_of(request), "places"))
    blind = await asyncio.to_thread(cannot_be_looked_for, held)
    return JSONResponse({"lost": lost_without(held), "blind": blind})


async def check_job_sheet(request: Request) -> JSONResponse:
    """What is wrong with the form, by field."""
    job, wrong = read_form(await json_of(request))
    return JSONResponse({"wrong": wrong}, 200 if job is not None else 422)


async def record(request: Request) -> JSONResponse:
    """Start recording with a job sheet."""
    asked = await json_of(request)
    typed = cast("object", asked.get("job"))
    job, wrong = read_form(cast("dict[str, Any]", typed) if isinstance(typed, dict) else {})
    addresses, places = texts_in(asked, "addresses"), texts_in(asked, "places")
    if not addresses:
        wrong["addresses"] = "is missing: choose a node, or type it."
    if any(map(not_an_address, addresses)) or len(addresses) > MOST_ADDRESSES:
        wrong["addresses"] = "cannot be read as the address of a node."
    assignments: list[Assignment] = []
    try:
        assignments = [assignment_from(text) for text in places]
    except InputError as reason:
        wrong["places"] = str(reason)
    if job is None or wrong:
        return JSONResponse({"wrong": wrong}, 422)
    running = under_way.alive(shelf_of(request))
    if running and not asked.get("beside"):
        return JSONResponse({"wrong": {"form": BESIDE.format(running[0])}, "running": running}, 409)
    if under_way.DEMO in addresses and not request.app.state.demo:
        raise InputError(NO_DEMO)
    name = await request.app.state.recorders.start(addresses, job, assignments)
    if "checks" in asked:
        said = pre_checks_in_words(set(texts_in(asked, "checks")))
        await asyncio.to_thread(under_way.mark, shelf_of(request).out / name, "note", said)
    return JSONResponse({"name": name})


async def record_demo(request: Request) -> JSONResponse:
    """Replay the shipped recording as a node and record it; one that runs is shown rather than a second started."""
    if not request.app.state.demo:
        raise InputError(NO_DEMO)
    running = under_way.alive(shelf_of(request))
    name = running[0] if running else await request.app.state.recorders.start_demo()
    return JSONResponse({"name": name})


async def import_file(request: Request) -> JSONResponse:
    """Bring a CSV in as a sealed recording."""
    data = await body_of(request, LARGEST_IMPORT)
    name = Path(request.query_params.get("name", "import.csv")).name[:80] or "import.csv"
    with tempfile.TemporaryDirectory(prefix="warmspell-") as aside:
        file = Path(aside) / (name if name.lower().endswith(".csv") else f"{name}.csv")
        await asyncio.to_thread(file.write_bytes, data)
        try:
            made = await request.app.state.work.run("desk", desk.import_csv, str(file), str(shelf_of(request).out))
        except InputError as reason:
            raise InputError(str(reason).replace(f"{aside}/", "")) from None
    return JSONResponse({"name": made})


async def mark(request: Request) -> JSONResponse:
    """Mark this moment."""
    asked = await json_of(request)
    folder = shelf_of(request).folder(request.path_params["name"])
    ago = asked.get("ago_s", 0.0)
    ago_s = float(ago) if isinstance(ago, int | float) and 0.0 <= ago <= LONGEST_TYPING_S else 0.0
    await asyncio.to_thread(under_way.mark, folder, str(asked.get("kind", "")), str(asked.get("text", "")), ago_s)
    return JSONResponse({"marked": asked.get("kind")})


async def stop(request: Request) -> JSONResponse:
    """End a recording in order."""
    await asyncio.to_thread(under_way.stop, shelf_of(request).folder(request.path_params["name"]))
    return JSONResponse({"stopping": True})


async def seal(request: Request) -> JSONResponse:
    """Seal a recording that was cut off."""
    name = request.path_params["name"]
    folder = shelf_of(request).folder(name)
    if name in under_way.alive(shelf_of(request)):
        raise InputError("this recording is under way; stop it instead.")
    digest = await request.app.state.work.run("desk", desk.seal, str(folder))
    return JSONResponse({"digest": digest})


async def guided(request: Request) -> JSONResponse:
    """Start, confirm or end a guided test."""
    asked = await json_of(request)
    follower = request.app.state.feed.follower(request.path_params["name"])
    if asked.get("confirm"):
        follower.confirm_guided(asked["confirm"])
    else:
        follower.start_guided(str(asked.get("test", "")))
    return JSONResponse({})


async def review(request: Request) -> JSONResponse:
    """Everything the write-up shows."""
    return JSONResponse(await request.app.state.openings.told(request.path_params["name"], units_of(request)))


async def progress(request: Request) -> JSONResponse:
    """How far the analysis for a write-up is."""
    return JSONResponse(await request.app.state.openings.progress(request.path_params["name"]))


async def trace(request: Request) -> Response:
    """The trace between two moments, or all of it (``whole``)."""
    name, asked = request.path_params["name"], request.query_params
    folder = shelf_of(request).folder(name)
    try:
        span = None if "whole" in asked else (float(asked["start"]), float(asked["end"]))
        buckets = int(asked.get("buckets", "1000"))
    except (KeyError, ValueError):
        raise InputError("a trace needs start, end and buckets as numbers.") from None
    if span is not None and not -1e9 < span[0] < span[1] < 1e9:
        raise InputError("the trace's end must come after its start.")
    kept = await request.app.state.openings.kept(name)
    whole = kept.whole(buckets)
    work = request.app.state.work
    if span is None and whole.exists():
        ahead = BackgroundTask(work.run, "trace", desk.load, str(folder))
        return FileResponse(whole, media_type="application/json", background=ahead)
    told = await work.run("trace", desk.window, str(folder), str(kept.lines), span, buckets, str(whole))
    return Response(told, media_type="application/json")


async def amend_job_sheet(request: Request) -> JSONResponse:
    """Correct the job sheet of a sealed recording."""
    asked = await json_of(request)
    typed = cast("object", asked.get("job"))
    return await _amend(request, desk.correct_job_sheet, typed if isinstance(typed, dict) else {}, asked)


async def amend_mark(request: Request) -> JSONResponse:
    """Correct, take out or add a mark of a sealed recording."""
    asked = await json_of(request)
    return await _amend(request, desk.correct_mark, asked, asked)


async def _amend(request: Request, work: Any, what: Any, asked: dict[str, Any]) -> JSONResponse:
    folder = shelf_of(request).folder(request.path_params["name"])
    by, reason = str(asked.get("by") or "")[:LONGEST_NAME], str(asked.get("reason") or "")[:LONGEST_NAME]
    wrong = await request.app.state.work.run("desk", work, str(folder), what, by, reason)
    return JSONResponse({"wrong": wrong}, 422 if wrong else 200)


async def write_sheets(request: Request) -> JSONResponse:
    """Write claim sheet, customer page and report, in the reader's units and on their paper."""
    asked = await json_of(request)
    shelf, name = shelf_of(request), request.path_params["name"]
    wanted = (str(shelf.folder(name)), str(shelf.sheets_folder(name)), *reader_of(asked), bool(asked.get("bundle")))
    return JSONResponse({"files": await request.app.state.work.run("desk", desk.write_sheets, *wanted)})


async def write_comparison(request: Request) -> JSONResponse:
    """Write the comparison of two recordings; it lies with the sheets of the later one."""
    asked = await json_of(request)
    shelf = shelf_of(request)
    before, after = (str(asked.get(side, "")) for side in ("before", "after"))
    folders = (shelf.folder(before), shelf.folder(after), shelf.sheets_folder(after))
    wanted = (*map(str, folders), *reader_of(asked))
    return JSONResponse({"files": await request.app.state.work.run("desk", desk.write_comparison, *wanted)})


def reader_of(asked: dict[str, Any]) -> tuple[str, str]:
    """The units and the paper that a sheet is written in; raises InputError on others."""
    units, paper = UNITS.get(str(asked.get("units", "kpa"))), PAPER_NAMES.get(str(asked.get("paper", "a4")))
    if units is None or paper is None:
        raise InputError("the sheet is written in kPa, bar or psi, on A4 or letter.")
    return units, paper


async def attach_photo(request: Request) -> JSONResponse:
    """Take a photograph for the sheets; the sealed recording is not touched."""
    folder = shelf_of(request).sheets_folder(request.path_params["name"]) / "photos"
    data = await body_of(request, LARGEST_PHOTO)
    kind = next((suffix for start, suffix in PHOTO_STARTS.items() if data.startswith(start)), None)
    if kind is None:
        raise InputError("that is no JPEG or PNG.")
    stem = re.sub(r"[^A-Za-z0-9]+", "-", Path(request.query_params.get("name", "photo")).stem).strip("-")[:60]
    held = {path.name for path in folder.glob("*")} if folder.is_dir() else set[str]()
    name = f"{stem or 'photo'}{kind}"
    if len(held | {name}) > MOST_PHOTOS:
        raise InputError(f"the sheet takes {MOST_PHOTOS} photographs at the most.")
    await asyncio.to_thread(_put, folder / name, data)
    return JSONResponse({"photos": sorted(held | {name})})


async def drop_photo(request: Request) -> JSONResponse:
    """Leave a photograph out again."""
    folder = shelf_of(request).sheets_folder(request.path_params["name"]) / "photos"
    wanted = str((await json_of(request)).get("photo", ""))
    held = {path.name: path for path in folder.glob("*")} if folder.is_dir() else {}
    if wanted not in held:
        raise InputError("there is no such photograph.")
    held.pop(wanted).unlink()
    return JSONResponse({"photos": sorted(held)})


def _put(path: Path, data: bytes) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(data)


async def live(socket: WebSocket) -> None:
    """The live feed of a recording under way: all there is, then what changes."""
    try:
        follower = socket.app.state.feed.follower(socket.path_params["name"])
    except InputError:
        await socket.send_denial_response(Response(status_code=404))
        return
    await socket.accept()
    with follower.listening() as queue:
        leaving = asyncio.create_task(_until_left(socket))
        try:
            while not leaving.done():
                getting = asyncio.create_task(queue.get())
                await asyncio.wait({getting, leaving}, return_when=asyncio.FIRST_COMPLETED)
                text = getting.result() if getting.done() else None
                getting.cancel()
                if text is None:
                    break
                await socket.send_text(text)
            if not leaving.done():
                await socket.close(1013)
        except (WebSocketDisconnect, RuntimeError):
            pass
        finally:
            leaving.cancel()


async def _until_left(socket: WebSocket) -> None:
    while (await socket.receive())["type"] != "websocket.disconnect":
        pass
