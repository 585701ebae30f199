"""The app: which address answers with what."""

import threading
from collections.abc import AsyncGenerator
from contextlib import asynccontextmanager
from pathlib import Path

from starlette.applications import Starlette
from starlette.routing import Mount, Route, WebSocketRoute
from starlette.staticfiles import StaticFiles
from starlette.types import ASGIApp

from analysis.page import actions, screens
from analysis.page.desk import Desk, warm_up
from analysis.page.feed import Feed
from analysis.page.guard import Guard
from analysis.page.opened import Openings
from analysis.page.shelf import Shelf
from analysis.page.under_way import Recorders

HERE = Path(__file__).parent
VENDOR = HERE.parent / "claim" / "vendor"


def page_app(out: Path, token: str | None, *, demo: bool) -> ASGIApp:
    """Build the app over a folder of recordings."""
    out.mkdir(parents=True, exist_ok=True)

    @asynccontextmanager
    async def lifespan(app: Starlette) -> AsyncGenerator[None]:
        shelf, work = Shelf(out), Desk()
        app.state.shelf, app.state.work, app.state.demo = shelf, work, demo
        app.state.token, app.state.openings = token, Openings(shelf, work)
        app.state.feed, app.state.recorders = Feed(shelf, work), Recorders(shelf.out)
        threading.Thread(target=warm_up, daemon=True).start()
        yield
        app.state.feed.close()
        work.close()

    routes = [
        Route("/", screens.home),
        Route("/fit-up", screens.fit_up),
        Route("/test/{name}", screens.on_test),
        Route("/write-up/{name}", screens.write_up),
        Route("/write-up/{name}/job-sheet", screens.job_sheet),
        Route("/compare", screens.compare),
        Route("/patterns", screens.patterns),
        Route("/sheets/{name}/{file}", screens.sheet),
        Route("/api/list", actions.listing),
        Route("/api/verdict/{name}", actions.verdict, methods=["POST"]),
        Route("/api/screen", actions.screen, methods=["POST"]),
        Route("/api/find", actions.find, methods=["POST"]),
        Route("/api/zero", actions.zero_check, methods=["POST"]),
        Route("/api/missing", actions.missing, methods=["POST"]),
        Route("/api/job-sheet", actions.check_job_sheet, methods=["POST"]),
        Route("/api/record", actions.record, methods=["POST"]),
        Route("/api/demo", actions.record_demo, methods=["POST"]),
        Route("/api/import", actions.import_file, methods=["POST"]),
        Route("/api/mark/{name}", actions.mark, methods=["POST"]),
        Route("/api/stop/{name}", actions.stop, methods=["POST"]),
        Route("/api/seal/{name}", actions.seal, methods=["POST"]),
        Route("/api/guided/{name}", actions.guided, methods=["POST"]),
        Route("/api/amend/{name}", actions.amend_job_sheet, methods=["POST"]),
        Route("/api/amend-mark/{name}", actions.amend_mark, methods=["POST"]),
        Route("/api/review/{name}", actions.review),
        Route("/api/progress/{name}", actions.progress),
        Route("/api/trace/{name}", actions.trace),
        Route("/api/sheets/{name}", actions.write_sheets, methods=["POST"]),
        Route("/api/comparison", actions.write_comparison, methods=["POST"]),
        Route("/api/photo/{name}", actions.attach_photo, methods=["POST"]),
        Route("/api/drop-photo/{name}", actions.drop_photo, methods=["POST"]),
        WebSocketRoute("/live/{name}", actions.live),
        Mount("/static", StaticFiles(directory=HERE / "static")),
        Mount("/vendor", StaticFiles(directory=VENDOR)),
    ]
    app = Starlette(routes=routes, lifespan=lifespan, exception_handlers=screens.FAULTS)
    return Guard(app, token)
