"""Puts the board together: routes, doorkeeper, headers, compression, and the description of its interface."""

from __future__ import annotations

from typing import Any

from fastapi import FastAPI
from fastapi.exceptions import RequestValidationError
from starlette.exceptions import HTTPException
from starlette.middleware.gzip import GZipMiddleware
from starlette.staticfiles import StaticFiles
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from dewpond.board import api, pages
from dewpond.board.description import describe
from dewpond.board.guard import Guard
from dewpond.board.problems import on_bad_request, on_fault, on_http_exception
from dewpond.board.room import STATIC, Room
from dewpond.board.safe_headers import SafeHeaders
from dewpond.board.sources import BoardOptions, Sources


def create_app(sources: Sources, options: BoardOptions) -> FastAPI:
    """The whole board. The documentation pages of the framework are off: they load from elsewhere."""
    app = FastAPI(
        title="dewpond",
        version=options.version or "0",
        description="Status, plan and records of one irrigated site, and the operator's requests.",
        docs_url=None,
        redoc_url=None,
        redirect_slashes=False,
        generate_unique_id_function=lambda route: route.name,
        exception_handlers={
            HTTPException: on_http_exception,
            RequestValidationError: on_bad_request,
            Exception: on_fault,
        },
    )
    app.state.room = Room(sources, options)
    app.router.routes.extend(pages.ROUTES)
    app.include_router(api.router)
    app.mount("/static", Lasting(StaticFiles(directory=STATIC)))
    app.add_middleware(Guard)
    app.add_middleware(GZipMiddleware, minimum_size=600, compresslevel=6)
    app.add_middleware(SafeHeaders)
    describe(app, options)
    return app


class Lasting:
    """Lets browsers keep files for a year: their addresses change with their content."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        async def send_lasting(message: Message) -> None:
            if message["type"] == "http.response.start" and message["status"] in (200, 304):
                headers: list[Any] = message["headers"]
                headers.append((b"cache-control", b"public, max-age=31536000, immutable"))
            await send(message)

        await self._app(scope, receive, send_lasting)
