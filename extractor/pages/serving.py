"""The base of every local page: loopback only, a one-time token, foreign callers refused.

A page is reached by an address with a token that works once; it is changed for a cookie that only
this browser holds. A request with a foreign Host (a name that another site lets point here, DNS
rebinding) or from a foreign origin is refused, so no other site can read or change anything.
"""

from __future__ import annotations

import asyncio
import html
import secrets
import socket
import webbrowser
from collections.abc import AsyncIterator, Awaitable, Callable, Sequence
from contextlib import asynccontextmanager, suppress
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs

import uvicorn
from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, RedirectResponse, Response
from starlette.routing import BaseRoute, Mount
from starlette.staticfiles import StaticFiles
from starlette.types import ASGIApp, Message, Receive, Scope, Send

STATIC = Path(__file__).with_name("static")
_HEADERS = {
    "content-security-policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob:; "
        "connect-src 'self'; form-action 'none'; base-uri 'none'; frame-ancestors 'none'"
    ),
    "cross-origin-resource-policy": "same-origin",
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "cache-control": "no-store",
}


class RefusedError(Exception):
    """What was asked cannot be done; ``sentence`` says why and how to mend it, for the page."""

    def __init__(self, sentence: str, status: int = 400) -> None:
        self.sentence = sentence
        self.status = status
        super().__init__(sentence)


class Door:
    """Lets in who came by the address that was printed, and nobody else."""

    def __init__(self, app: ASGIApp, port: int) -> None:
        self._app = app
        self._hosts = {f"127.0.0.1:{port}", f"localhost:{port}"}
        self._origins = {f"http://{host}" for host in self._hosts}
        self._cookie = f"ocrlog_{port}"
        self._token: str | None = secrets.token_urlsafe(24)
        self._pass = secrets.token_urlsafe(24)
        self.address = f"http://127.0.0.1:{port}/?token={self._token}"

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Check a request, and hand it on."""
        if scope["type"] != "http":
            if scope["type"] == "lifespan":
                await self._app(scope, receive, send)
            return
        request = Request(scope)
        answer = self._checked(request)
        if answer is not None:
            await answer(scope, receive, _with_headers(send))
            return
        await self._app(scope, receive, _with_headers(send))

    def _checked(self, request: Request) -> Response | None:
        """The answer to a request that is not handed on."""
        if request.headers.get("host", "") not in self._hosts:
            return _refusal("This address is not the page's own. Open the one that was printed.")
        origin = request.headers.get("origin")
        site = request.headers.get("sec-fetch-site", "same-origin")
        if (origin is not None and origin not in self._origins) or site == "cross-site":
            return _refusal("Another site asked for this. Open the address that was printed.")
        known = secrets.compare_digest(request.cookies.get(self._cookie, ""), self._pass)
        given = parse_qs(request.url.query).get("token", [""])[0]
        if given and self._token and secrets.compare_digest(given, self._token):
            self._token = None
            entry = RedirectResponse("/", status_code=303)
            entry.set_cookie(self._cookie, self._pass, httponly=True, samesite="strict")
            return entry
        if not known:
            return _refusal(
                "The address works once, in one browser. To open the page elsewhere, end the "
                "command with Ctrl-C and start it again: what you did is kept."
            )
        if given:
            return RedirectResponse("/", status_code=303)
        return None


def _with_headers(send: Send) -> Callable[[Message], Awaitable[None]]:
    async def sending(message: Message) -> None:
        if message["type"] == "http.response.start":
            held = {name.lower() for name, _ in message.get("headers", [])}
            message["headers"] = [
                *message.get("headers", []),
                *((name.encode(), value.encode()) for name, value in _HEADERS.items()
                  if name.encode() not in held),
            ]  # fmt: skip
        await send(message)

    return sending


def _refusal(sentence: str) -> Response:
    return HTMLResponse(
        '<!doctype html><html lang="en"><meta charset="utf-8"><title>ocrlog: not let in</title>'
        f"<h1>Not let in</h1><p>{html.escape(sentence)}</p></html>",
        status_code=403,
    )


def _refused(request: Request, error: Exception) -> Response:
    assert isinstance(error, RefusedError)
    return JSONResponse({"refused": error.sentence}, error.status)


def _not_there(request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    return JSONResponse({"refused": f"{request.url.path}: {error.detail}"}, error.status_code)


def _defect(request: Request, error: Exception) -> Response:
    sentence = (
        f"This is a defect of ocrlog ({type(error).__name__}); the terminal shows it. Your work is "
        "kept. Undo the last change, or load the page anew."
    )
    return JSONResponse({"refused": sentence}, 500)


def application(
    routes: Sequence[BaseRoute], beside: Callable[[], Awaitable[None]] | None = None
) -> Starlette:
    """An application of ``routes`` and the static files; what is refused is said in one shape.

    A refusal is JSON, ``{"refused": sentence}``, with its status. ``beside`` runs for as long as
    the page is served.
    """

    @asynccontextmanager
    async def serving(app: Starlette) -> AsyncIterator[None]:
        if beside is None:
            yield
            return
        running = asyncio.ensure_future(beside())
        yield
        running.cancel()
        with suppress(asyncio.CancelledError):
            await running

    return Starlette(
        lifespan=serving,
        routes=[*routes, Mount("/static", StaticFiles(directory=STATIC), name="static")],
        exception_handlers={
            RefusedError: _refused,
            HTTPException: _not_there,
            Exception: _defect,
        },
    )


async def sent(request: Request) -> dict[str, Any]:
    """What the page sent: one JSON object. Raises RefusedError."""
    try:
        given = await request.json()
    except ValueError:
        raise RefusedError("What the page sent cannot be read; load it anew.") from None
    if not isinstance(given, dict):
        raise RefusedError("What the page sent cannot be read; load it anew.")
    return given


def page(name: str) -> Response:
    """One of the pages among the static files."""
    return HTMLResponse((STATIC / name).read_text(encoding="utf-8"))


def serve(app: ASGIApp, say: Callable[[str], None], *, open_browser: bool = True) -> None:
    """Serve a page on a free port of this machine until Ctrl-C.

    ``say`` is told the address. With ``open_browser`` the person's browser opens it.
    """
    with socket.create_server(("127.0.0.1", 0)) as door:
        guarded = Door(app, door.getsockname()[1])
        say(guarded.address)
        if open_browser:
            webbrowser.open(guarded.address)
        server = uvicorn.Server(
            uvicorn.Config(
                guarded, log_level="error", access_log=False, timeout_graceful_shutdown=1
            )
        )
        with suppress(KeyboardInterrupt):
            server.run(sockets=[door])
