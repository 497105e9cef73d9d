"""Owns: how an error is told to a client: RFC 9457, application/problem+json, whatever went wrong.

Must not know: which routes there are.
How it works: three handlers cover every way out: HTTP errors (404, 405 and our own), requests that do not fit
(422, with a list of what and where), and faults of ours (500, which say nothing of the inside; the log does).
"""

from __future__ import annotations

import json
import logging
from collections.abc import Mapping
from http import HTTPStatus
from typing import Any

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from pydantic import BaseModel, Field
from starlette.exceptions import HTTPException
from starlette.responses import Response

from dashboards.headers import HEADERS
from gateway.errors import GatewayError

log = logging.getLogger(__name__)


class FieldError(BaseModel):
    """One part of a request that does not fit."""

    detail: str = Field(description="What is wrong, in words.")
    pointer: str = Field(description="Where: part of the request and name, as in query/lang.")


class Problem(BaseModel):
    """An error as RFC 9457 writes it."""

    type: str = Field(default="about:blank", description="about:blank: the status says what kind of problem it is.")
    title: str = Field(description="The name of the status.")
    status: int = Field(description="The HTTP status code.")
    detail: str = Field(description="What happened and what to do.")
    instance: str = Field(description="The path that was asked for.")
    errors: list[FieldError] | None = Field(default=None, description="With status 422: what does not fit.")


def problem(
    request: Request,
    status: int,
    detail: str,
    *,
    errors: list[FieldError] | None = None,
    headers: Mapping[str, str] | None = None,
) -> Response:
    """The response for an error."""
    body = Problem(
        title=HTTPStatus(status).phrase, status=status, detail=detail, instance=request.url.path, errors=errors
    )
    return Response(
        json.dumps(body.model_dump(exclude_none=True), ensure_ascii=False),
        status_code=status,
        media_type="application/problem+json",
        headers=headers,
    )


def documented(*statuses: int) -> dict[int | str, dict[str, Any]]:
    """What the OpenAPI document says of these errors."""
    content = {"application/problem+json": {"schema": Problem.model_json_schema()}}
    return {status: {"description": HTTPStatus(status).phrase, "content": content} for status in statuses}


def install(app: FastAPI) -> None:
    """Let every error of the app leave as a problem document."""
    app.add_exception_handler(HTTPException, _http)
    app.add_exception_handler(RequestValidationError, _misfit)
    app.add_exception_handler(GatewayError, _known_fault)
    app.add_exception_handler(Exception, _fault)


async def _http(request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    plain = {404: "There is nothing at this address.", 405: "This address does not take that method."}
    known = error.detail != HTTPStatus(error.status_code).phrase
    detail = error.detail if known else plain.get(error.status_code, error.detail)
    return problem(request, error.status_code, detail, headers=error.headers)


async def _misfit(request: Request, error: Exception) -> Response:
    assert isinstance(error, RequestValidationError)
    errors = [FieldError(detail=e["msg"], pointer="/".join(str(part) for part in e["loc"])) for e in error.errors()]
    return problem(request, 422, "The request has a part that does not fit; see errors.", errors=errors)


async def _known_fault(request: Request, error: Exception) -> Response:
    log.error("%s: %s", request.url.path, error)
    return problem(request, 503, "A file of the gateway cannot be read; the log of the web role has the details.")


async def _fault(request: Request, error: Exception) -> Response:
    # This answer is made outside of the guard, so it brings the guard's headers itself.
    return problem(request, 500, "Something broke inside; the log of the web role has the details.", headers=HEADERS)
