"""The viewer's addresses. Each reads what an address asks for, asks a room below, and answers in JSON or bytes.

Errors of those who ask become one line with a status of 4xx; a fault of ours is a 500, and the server goes on.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Mapping
from dataclasses import asdict
from importlib.resources import files
from typing import Any

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, Response, StreamingResponse
from starlette.routing import Route
from starlette.types import ASGIApp

from harness.show.viewer import facts
from harness.show.viewer.access import Guard, Keys
from harness.show.viewer.asked import MOST_COLUMNS, MOST_ROWS, Query, texts_of, trace_name
from harness.show.viewer.folder import FILTERS, SORTS, AbsentError, Folder, chosen, counted
from harness.show.viewer.traces import Memory, Traces
from netlists.errors import BulkrailError, DamagedRunError, OptionError, SchemaError, StoreError, one_line

PACKAGE = "harness.show.viewer"
PALETTE = ("harness.show", "palette.css")
KINDS = {
    ".js": "text/javascript; charset=utf-8", ".css": "text/css; charset=utf-8", ".html": "text/html; charset=utf-8",
    ".svg": "image/svg+xml", ".LICENSE": "text/plain; charset=utf-8",
}  # fmt: skip
PAGE = "viewer.html"
MOST_BYTES = 20_000_000  # of a dropped file
MOST_JSON = 20_000
MOST_LINES = 5  # of an error
OPTION = re.compile(r"--(?=[a-z])")  # rooms below name options of commands, which are fields here
OVERLAY = (
    "trace", "capture", "file", "column", "unit", "scale", "gain", "offset", "interval", "trigger", "align", "at",
)  # fmt: skip


def static_files() -> dict[str, tuple[bytes, str]]:
    """Name -> content and kind of every file a page may ask for, read once: no path of an address reaches the disk."""
    found = {}
    for item in files(PACKAGE).joinpath("static").iterdir():
        ending = item.name[item.name.rfind(".") :]
        if ending in KINDS:
            found[item.name] = item.read_bytes(), KINDS[ending]
    found[PALETTE[1]] = files(PALETTE[0]).joinpath(PALETTE[1]).read_bytes(), KINDS[".css"]
    return found


class Viewer:
    """All answers, over one results folder."""

    def __init__(self, folder: Folder, memory: Memory) -> None:
        self.folder, self.memory = folder, memory
        self.traces = Traces(folder, memory)
        self.static = static_files()

    def routes(self) -> list[Route]:
        """Every address there is."""
        reading: Mapping[str, Callable[[Request], Response]] = {
            "/": self.page,
            "/static/{name}": self.file,
            "/api/folder": self.about,
            "/api/runs": self.runs,
            "/api/run": self.run,
            "/api/view": self.view,
            "/api/between": self.between,
            "/api/marks": self.marks,
            "/api/csv": self.csv,
            "/api/captures": self.captures,
        }
        keeping = {"/api/file": self.file_dropped, "/api/overlay": self.overlay}
        return [
            *(Route(path, answer, methods=["GET"]) for path, answer in reading.items()),
            *(Route(path, answer, methods=["POST"]) for path, answer in keeping.items()),
        ]

    def page(self, request: Request) -> Response:
        """The one page; what it shows stands behind ``#`` and never reaches us."""
        Query(request.query_params.multi_items(), ())
        content, kind = self.static[PAGE]
        return Response(content, media_type=kind)

    def file(self, request: Request) -> Response:
        """Script, style, picture or licence."""
        name = request.path_params["name"]
        if name not in self.static or name == PAGE:
            raise AbsentError("no such file")
        content, kind = self.static[name]
        return Response(content, media_type=kind)

    def about(self, request: Request) -> Response:
        """The folder's name."""
        Query(request.query_params.multi_items(), ())
        return JSONResponse({"folder": one_line(str(self.folder.results))})

    def runs(self, request: Request) -> Response:
        """Runs that pass the filters, in an order, from ``offset`` on; counts for each filter; what is unreadable."""
        query = Query(request.query_params.multi_items(), (*FILTERS, "text", "sort", "reverse", "offset", "limit"))
        rows, faults = self.folder.listed()
        wanted = {name: query.text(name) for name in FILTERS}
        reverse = query.choice("reverse", ("0", "1"), "0") == "1"
        found = chosen(rows, wanted, query.text("text") or "", query.choice("sort", SORTS, "margin"), reverse=reverse)
        offset = query.whole("offset", 10**9, 0)
        shown = found[offset : offset + query.whole("limit", MOST_ROWS, 100)]
        return JSONResponse(
            {
                "all": len(rows), "found": len(found), "offset": offset, "runs": [asdict(row) for row in shown],
                "counts": counted(rows, wanted), "faults": faults,
            }
        )  # fmt: skip

    def run(self, request: Request) -> Response:
        """All of a run but its samples."""
        query = Query(request.query_params.multi_items(), ("id",))
        return JSONResponse(facts.run_facts(self.folder, query.run("id")))

    def view(self, request: Request) -> Response:
        """Lines drawn in a window, as ``Traces.view`` has it."""
        query = Query(request.query_params.multi_items(), ("trace", "from", "to", "columns"))
        content = self.traces.view(query.traces(), *query.window(), query.whole("columns", MOST_COLUMNS, 1000))
        return Response(content, media_type="application/octet-stream")

    def between(self, request: Request) -> Response:
        """Figures between two cursors."""
        query = Query(request.query_params.multi_items(), ("trace", "a", "b"))
        return JSONResponse({"lines": self.traces.figures(query.traces(), query.number("a"), query.number("b"))})

    def marks(self, request: Request) -> Response:
        """Where metrics were taken."""
        query = Query(request.query_params.multi_items(), ("trace",))
        stored = [name for name in query.traces() if not name.source.startswith("file-")]
        return JSONResponse({"marks": facts.marks(self.folder, stored)})

    def csv(self, request: Request) -> Response:
        """The window's samples."""
        query = Query(request.query_params.multi_items(), ("trace", "from", "to"))
        names = query.traces()
        lines = self.traces.csv(names, *query.window())
        name = f"{names[0].source[:12]}-window.csv"
        return StreamingResponse(
            lines, media_type="text/csv; charset=utf-8",
            headers={"Content-Disposition": f'attachment; filename="{name}"'},
        )  # fmt: skip

    def captures(self, request: Request) -> Response:
        """Stored captures that may be laid over a run."""
        query = Query(request.query_params.multi_items(), ("id",))
        return JSONResponse({"captures": self.memory.captures_for(query.run("id"))})

    async def file_dropped(self, request: Request) -> Response:
        """A text file, as the body and never as a form, whose parts would be written to disk."""
        query = Query(request.query_params.multi_items(), ("name",))
        name, data = query.text("name") or "file", await _body(request, MOST_BYTES)
        return JSONResponse(await run_in_threadpool(self.memory.read_file, name, data))

    async def overlay(self, request: Request) -> Response:
        """Something measured laid over a line."""
        Query(request.query_params.multi_items(), ())
        try:
            content = json.loads(await _body(request, MOST_JSON))
        except (ValueError, RecursionError) as error:
            raise OptionError("content: must be JSON") from error
        said = texts_of(content, OVERLAY)
        trace = trace_name(said.pop("trace", ""))
        return JSONResponse(await run_in_threadpool(self.memory.lay, trace, said))


async def _body(request: Request, most: int) -> bytes:
    """A request's body, in memory; refused before it is read where it says to be too long, else as soon as it is."""
    said = request.headers.get("content-length", "0")
    found = bytearray()
    if said.isdecimal() and int(said) <= most:
        async for piece in request.stream():
            found += piece
            if len(found) > most:
                break
        else:
            return bytes(found)
    raise HTTPException(413, f"at most {most // 1000} kB are taken")


def status_of(error: BulkrailError) -> int:
    """What an error of ours is to who asked."""
    if isinstance(error, DamagedRunError | SchemaError):
        return 422
    return 404 if isinstance(error, AbsentError | StoreError) else 400


def _told(_: Request, error: Exception) -> Response:
    assert isinstance(error, BulkrailError)  # registered for nothing else
    text = "; ".join(one_line(line) for line in str(error).splitlines()[:MOST_LINES])
    return JSONResponse({"error": OPTION.sub("", text)}, status_of(error))


def _not_served(_: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    return JSONResponse({"error": error.detail}, error.status_code, headers=error.headers)


def _broken(_: Request, error: Exception) -> Response:
    """A fault of ours; the server writes its traceback to the terminal, and no address with it."""
    return JSONResponse({"error": "a fault of bulkrail: see the terminal it runs in"}, 500)


def application(viewer: Viewer, keys: Keys) -> ASGIApp:
    """The whole server but for its socket."""
    handlers: Mapping[Any, Any] = {BulkrailError: _told, HTTPException: _not_served, Exception: _broken}
    app = Starlette(routes=viewer.routes(), exception_handlers=handlers)
    app.router.redirect_slashes = False
    return Guard(app, keys)
