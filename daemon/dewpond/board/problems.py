"""Refusals and faults: problem details (RFC 9457) for the API, a plain page for people."""

from __future__ import annotations

import logging
from collections.abc import Mapping
from http import HTTPStatus
from typing import Any

from fastapi.exceptions import RequestValidationError
from pydantic import BaseModel, Field
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, JSONResponse, Response
from starlette.types import Scope

from dewpond.board.room import room_of
from dewpond.board.safe_headers import SAFE_HEADERS

log = logging.getLogger(__name__)
PROBLEM_TYPE = "application/problem+json"


class Fault(BaseModel):
    """One thing that is wrong with a request."""

    place: str = Field(description="where in the request, for example body.minutes")
    detail: str


class Problem(BaseModel):
    """Problem details as in RFC 9457."""

    type: str = "about:blank"
    title: str
    status: int
    detail: str
    instance: str
    errors: list[Fault] = []


def is_api(scope: Scope) -> bool:
    return str(scope["path"]).startswith("/api/")


def refusal(
    scope: Scope,
    status: int,
    detail: str,
    *,
    errors: list[Fault] | None = None,
    headers: Mapping[str, str] | None = None,
) -> Response:
    """The answer to a request that is not carried out, in the form its path calls for."""
    title = HTTPStatus(status).phrase
    if is_api(scope):
        body = Problem(title=title, status=status, detail=detail, instance=scope["path"], errors=errors or [])
        return JSONResponse(body.model_dump(), status, headers, media_type=PROBLEM_TYPE)
    page = room_of(scope).page("refused.html", Request(scope), title=title, status=status, detail=detail)
    return HTMLResponse(page, status, headers)


async def on_http_exception(request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)  # noqa: S101 - registered for this class alone
    detail = error.detail
    if detail == HTTPStatus(error.status_code).phrase:
        detail = {
            404: f"There is nothing at {request.url.path}.",
            405: f"{request.method} is not possible at {request.url.path}.",
        }.get(error.status_code, detail)
    return refusal(request.scope, error.status_code, detail, headers=error.headers)


async def on_bad_request(request: Request, error: Exception) -> Response:
    assert isinstance(error, RequestValidationError)  # noqa: S101 - registered for this class alone
    errors = [Fault(place=_place(item), detail=item["msg"]) for item in error.errors()]
    first = errors[0]
    return refusal(request.scope, 422, f"{first.place}: {first.detail}", errors=errors)


async def on_fault(request: Request, error: Exception) -> Response:
    """A programmer's fault: logged with its trace, told without details. It answers outside every middleware."""
    log.error("%s %s failed", request.method, request.url.path, exc_info=error)
    detail = "The board could not answer; the log of the daemon says why. Valves are not affected by this."
    response = refusal(request.scope, 500, detail)
    for name, value in SAFE_HEADERS:
        response.headers[name] = value
    return response


def _place(item: Mapping[str, Any]) -> str:
    return ".".join(str(part) for part in item.get("loc", ()))
