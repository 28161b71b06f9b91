"""The OpenAPI description: the framework's own, with the problem details and the session cookie it cannot know of."""

from __future__ import annotations

from typing import Any

from fastapi import FastAPI
from fastapi.openapi.utils import get_openapi

from dewpond.board.problems import PROBLEM_TYPE, Problem
from dewpond.board.sources import BoardOptions

REFUSALS = {
    "401": "Not signed in.",
    "403": "The request comes from a page of another place.",
    "404": "There is no such zone.",
    "409": "The daemon refuses, or the same request is under way; the detail says why.",
    "413": "The body is too long.",
    "415": "The body is no JSON.",
    "421": "The board is not called by this host name.",
    "422": "A field or the span of a question is wrong.",
    "503": "The daemon has published nothing yet, or the records cannot be read.",
}
FOR_CHANGES_ALONE = frozenset({"403", "409", "413", "415"})


def describe(app: FastAPI, options: BoardOptions) -> None:
    """Replace ``app.openapi`` by one that is made at the first asking."""

    def openapi() -> dict[str, Any]:
        if app.openapi_schema is None:
            schema = get_openapi(title=app.title, version=app.version, description=app.description, routes=app.routes)
            app.openapi_schema = completed(schema, options)
        return app.openapi_schema

    app.openapi = openapi  # type: ignore[method-assign]


def completed(schema: dict[str, Any], options: BoardOptions) -> dict[str, Any]:
    """Add refusals and the cookie to every operation."""
    parts = schema.setdefault("components", {})
    models = parts.setdefault("schemas", {})
    models.pop("HTTPValidationError", None)
    models.pop("ValidationError", None)
    problem = Problem.model_json_schema(ref_template="#/components/schemas/{model}")
    models.update(problem.pop("$defs", {}))
    models["Problem"] = problem
    cookie = {"type": "apiKey", "in": "cookie", "name": f"dewpond_{options.port}"}
    parts["securitySchemes"] = {"session": cookie}
    for operations in schema["paths"].values():
        for method, operation in operations.items():
            _complete(operation, method, options)
    return schema


def _complete(operation: dict[str, Any], method: str, options: BoardOptions) -> None:
    reading = method == "get"
    body = {PROBLEM_TYPE: {"schema": {"$ref": "#/components/schemas/Problem"}}}
    for status, why in REFUSALS.items():
        if not (reading and status in FOR_CHANGES_ALONE):
            operation["responses"][status] = {"description": why, "content": body}
    operation["security"] = [{}, {"session": []}] if reading and options.open_reading else [{"session": []}]
