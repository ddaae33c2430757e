"""The pages and their addresses."""

from __future__ import annotations

import asyncio
import re
from collections.abc import Callable
from typing import Any
from urllib.parse import parse_qs

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response, StreamingResponse
from starlette.routing import Route
from starlette.types import ASGIApp

from sequencer.results.store.place import StorePlace
from sequencer.results.store.problems import StoreProblem
from sequencer.results.store.set_aside import rows_set_aside
from sequencer.watch import parts
from sequencer.watch.asked import Query, WrongAddress, address
from sequencer.watch.batches import BatchPages, batches_page
from sequencer.watch.guard import DRAWING_POLICY, SIGN_IN, Access, Guard
from sequencer.watch.live import Pages
from sequencer.watch.reader import Opened, Reader
from sequencer.watch.runs import Curves, Shown, run_page, runs_page, trace_page
from sequencer.watch.signs import Signs
from sequencer.watch.tokens import HOLDS_S
from sequencer.watch.units import compare_page, unit_page, units_page
from sequencer.watch.view import render, static, static_type, unread_sentence

_HEADS = {
    400: "This address cannot be answered",
    404: "Not here",
    405: "For reading only",
    421: "Another name",
    500: "A defect",
    503: "The store cannot be read",
}
_LONGEST_FORM = 4096
_WRONG_TOKEN_S = 0.5
_WITHIN = re.compile(r"/(?![/\\])[\x21-\x7e]*\Z")
"""An address on this server: a form may not lead to another."""


class WatchApp:
    """The pages over one store. ``asgi`` is the application; `start` in the server's event loop, `end_streams` as it shuts down."""

    def __init__(self, place: StorePlace, access: Access, signs: Signs | None = None) -> None:
        self._signs = signs or Signs()
        self._opened = Opened(place)
        self._where = str(place)
        self._access = access
        self._curves = Curves(self._opened)
        self._reader: Reader | None = None
        self.pages = Pages(self._ask)
        batch_pages = BatchPages()
        routes = [
            *(
                Route(path, self._page(template, shown, place))
                for path, template, shown, place in (
                    ("/runs", "runs.html", runs_page, "runs"),
                    ("/run", "run.html", run_page, "runs"),
                    ("/trace", "trace.html", trace_page, "runs"),
                    ("/units", "units.html", units_page, "units"),
                    ("/unit", "unit.html", unit_page, "units"),
                    ("/compare", "compare.html", compare_page, "compare"),
                    ("/batches", "batches.html", batches_page, "batches"),
                    ("/batch", "batch_page.html", batch_pages.page, "batches"),
                )
            ),
            Route("/", self._live_page("benches.html", "benches", parts.part_of("benches", self._signs))),
            Route("/queue", self._live_page("queue.html", "queue", parts.part_of("queue", self._signs))),
            Route("/station", self._station),
            Route("/events", self._events),
            Route("/curve.svg", self._curve),
            Route("/static/{name}", self._static),
            Route(SIGN_IN, self._sign_in, methods=["GET", "POST"]),
        ]
        app = Starlette(
            routes=routes,
            exception_handlers={
                WrongAddress: self._wrong_address,
                StoreProblem: self._store_problem,
                HTTPException: self._http_problem,
            },
        )
        app.router.redirect_slashes = False
        self.asgi: ASGIApp = Guard(app, access=access, problem=self._problem)

    def end_streams(self) -> None:
        """End what would be waited for."""
        self.pages.close()

    def close(self) -> None:
        """Let go of the store."""
        if self._reader is not None:
            self._reader.close()
        self._opened.close()

    # -- pages ----------------------------------------------------------------------------------------------------------

    def _page(self, template: str, shown: Shown, place: str) -> Callable[[Request], Any]:
        def endpoint(request: Request) -> Response:
            store = self._opened.store()
            with rows_set_aside() as missing:
                try:
                    facts = shown(store, _raw(request))
                except WrongAddress as problem:
                    if missing:  # what is asked for may be what cannot be read
                        raise WrongAddress(
                            f"{problem.what} {unread_sentence(missing)}", status=503
                        ) from problem
                    raise
            facts["unread"] = unread_sentence([*facts.pop("unread", ()), *missing])
            return HTMLResponse(render(template, place=place, store=self._where, stream="", **facts))

        return endpoint

    def _live_page(self, template: str, topic: str, part: Callable[[Any], str]) -> Callable[[Request], Any]:
        def endpoint(request: Request) -> Response:
            Query.read(_raw(request), ())
            return self._with_part(template, topic, part(self._opened.store()), place=topic)

        return endpoint

    def _station(self, request: Request) -> Response:
        query = Query.read(_raw(request), ("station", "bench"))
        station, bench = query.one("station"), query.one("bench")
        if bool(station) == bool(bench):
            raise WrongAddress("The address does not say which station.", "one of ?station=… and ?bench=…")
        part = parts.station_part(self._opened.store(), self._signs, station=station, bench=bench)
        topic = address("", topic="station", station=station, bench=bench).lstrip("?")
        return self._with_part("station.html", topic, part, place="wall", named=station or bench)

    def _with_part(self, template: str, topic: str, part: str, *, place: str, **facts: Any) -> Response:
        from markupsafe import Markup

        stream = f"/events?{topic}" if "=" in topic else f"/events?topic={topic}"
        return HTMLResponse(
            render(
                template,
                place=place,
                store=self._where,
                stream=stream,
                part=Markup(part),
                simulated="",
                **facts,
            )
        )

    def _curve(self, request: Request) -> Response:
        drawn = self._curves.drawn(_raw(request))
        headers = {"content-security-policy": DRAWING_POLICY, "cache-control": "private, max-age=3600"}
        return Response(drawn, media_type="image/svg+xml", headers=headers)

    async def _static(self, request: Request) -> Response:
        name = request.path_params["name"]
        content = static(name)
        if content is None:
            return self._problem(request, 404, "There is no such file.", "")
        return Response(content, media_type=static_type(name), headers={"cache-control": "no-cache"})

    # -- what lives -----------------------------------------------------------------------------------------------------

    async def _events(self, request: Request) -> Response:
        topic = parts.topic_of(_raw(request))
        if request.method == "HEAD":
            return Response(media_type="text/event-stream")
        if self.pages.is_full:
            return Response(status_code=503, headers={"retry-after": "10"})
        self._start()
        stream = self.pages.stream(topic, request.headers.get("last-event-id", "")[:64])
        return StreamingResponse(
            stream,
            media_type="text/event-stream",
            headers={"cache-control": "no-cache", "x-accel-buffering": "no"},
        )

    def _start(self) -> None:
        """Begin to read, with the first page that lives."""
        if self._reader is not None:
            return
        loop = asyncio.get_running_loop()

        def tell(topic: str, part: str) -> None:
            loop.call_soon_threadsafe(self.pages.tell, topic, part)

        self._reader = Reader(
            self._opened,
            topics=lambda: self.pages.topics,
            part_of=lambda topic: parts.part_of(topic, self._signs),
            worded=parts.problem_part,
            tell=tell,
        )
        self._reader.start()

    def _ask(self) -> None:
        if self._reader is not None:
            self._reader.ask()

    # -- who may --------------------------------------------------------------------------------------------------------

    async def _sign_in(self, request: Request) -> Response:
        token = self._access.token
        if request.method != "POST":
            query = Query.read(_raw(request), ("next",))
            return self._sign_in_page(query.one("next"))
        form = await _form(request)
        goes_to = _within(form.get("next", ""))
        origin = request.headers.get("origin", "")
        if origin and origin.partition("://")[2] != request.headers.get("host", ""):
            raise WrongAddress("This form was sent from another page.", "the form of this server")
        if token is None:
            return RedirectResponse(goes_to, status_code=303)
        if not await run_in_threadpool(token.is_token, form.get("token", "").strip()):
            await asyncio.sleep(_WRONG_TOKEN_S)
            wrong = "That is not the token that holds now. 'sequencer watch token' makes a new one."
            return self._sign_in_page(goes_to, wrong=wrong)
        answer = RedirectResponse(goes_to, status_code=303)
        answer.set_cookie(
            self._access.cookie_name,
            token.cookie(),
            max_age=int(HOLDS_S),
            path="/",
            httponly=True,
            samesite="strict",
            secure=self._access.secure,
        )
        return answer

    def _sign_in_page(self, goes_to: str, *, wrong: str = "") -> Response:
        page = render(
            "sign_in.html",
            place="sign-in",
            store="",
            stream="",
            simulated="",
            next=_within(goes_to),
            wrong=wrong,
        )
        return HTMLResponse(page, status_code=403 if wrong else 200)

    # -- what goes wrong --------------------------------------------------------------------------------------------------

    def _problem(self, request: Request, status: int, what: str, allowed: str) -> Response:
        moves = [("/runs", "All runs"), ("/", "Benches now")]
        page = render(
            "problem.html",
            place="",
            store=self._where if status not in (421,) else "this server",
            stream="",
            simulated="",
            head=_HEADS.get(status, "This address cannot be answered"),
            what=what,
            allowed=allowed,
            moves=moves,
        )
        return HTMLResponse(page, status_code=status)

    async def _wrong_address(self, request: Request, error: Exception) -> Response:
        assert isinstance(error, WrongAddress)
        return self._problem(request, error.status, error.what, error.allowed)

    async def _store_problem(self, request: Request, error: Exception) -> Response:
        assert isinstance(error, StoreProblem)
        return self._problem(request, 503, f"{error.what}. {error.next_move}", "")

    async def _http_problem(self, request: Request, error: Exception) -> Response:
        assert isinstance(error, HTTPException)
        what = "There is no such page." if error.status_code == 404 else str(error.detail)
        return self._problem(request, error.status_code, what, "")


def _raw(request: Request) -> bytes:
    return bytes(request.scope["query_string"])


def _within(goes_to: str) -> str:
    return goes_to if _WITHIN.match(goes_to) and not goes_to.startswith(SIGN_IN) else "/"


async def _form(request: Request) -> dict[str, str]:
    """Return a small form. Raises WrongAddress for one that is large or of another kind."""
    content = b""
    async for chunk in request.stream():
        content += chunk
        if len(content) > _LONGEST_FORM:
            raise WrongAddress("The form is too large.", f"at most {_LONGEST_FORM} bytes")
    text = content.decode("utf-8", "replace")
    try:
        found = parse_qs(text, keep_blank_values=True, max_num_fields=8)
    except ValueError:
        raise WrongAddress("The form has too many fields.", "a token") from None
    return {name: values[0] for name, values in found.items()}
