"""The small pages: an index, health, what each problem means, and the interactive docs."""

from __future__ import annotations

import html
from importlib.resources import files
from pathlib import Path

from fastapi import APIRouter, FastAPI, Request, Response
from fastapi.openapi.docs import get_swagger_ui_html
from fastapi.responses import HTMLResponse
from fastapi.staticfiles import StaticFiles
from prometheus_client.exposition import choose_encoder
from pydantic import BaseModel, Field

from service.kit.contract import problem_responses
from service.kit.gate import Gate
from service.kit.problems import KINDS, NOT_FOUND, NOT_READY, RefusalError, problem_of
from service.kit.readiness import Readiness

_ASSETS = "/docs/assets"

router = APIRouter(tags=["service"])


class Index(BaseModel):
    """Where to go from here."""

    service: str = Field(description="Name of the service.", examples=["Evenlode"])
    version: str = Field(description="Its version.", examples=["0.1.0"])
    balances: str = Field(description="POST a balance here.", examples=["/v1/balances"])
    drift: str = Field(description="POST many shifts here.", examples=["/v1/drift"])
    tests: str = Field(
        description="POST the sheet of a laboratory test here.", examples=["/v1/tests"]
    )
    sampling_plans: str = Field(
        description="POST what is to be known better here.", examples=["/v1/sampling-plans"]
    )
    docs: str = Field(description="Interactive documentation.", examples=["/docs"])
    openapi: str = Field(description="The contract, OpenAPI 3.1.", examples=["/openapi.json"])
    live: str = Field(description="Tells that the service lives.", examples=["/livez"])
    ready: str = Field(description="Tells whether it can do its work now.", examples=["/readyz"])
    metrics: str = Field(description="Figures for Prometheus.", examples=["/metrics"])
    problems: dict[str, str] = Field(
        description="What each kind of problem means, by slug.",
        examples=[{"invalid-request": "/problems/invalid-request"}],
    )


class Alive(BaseModel):
    """The service answers."""

    status: str = Field(description="Always 'alive'.", examples=["alive"])


class Ready(BaseModel):
    """Requests may be sent."""

    status: str = Field(description="Always 'ready'.", examples=["ready"])


@router.get("/", operation_id="index", summary="Find your way")
async def index(request: Request) -> Index:
    """Give the addresses of the service."""
    return Index(
        service=request.app.title,
        version=request.app.version,
        balances="/v1/balances",
        drift="/v1/drift",
        tests="/v1/tests",
        sampling_plans="/v1/sampling-plans",
        docs="/docs",
        openapi="/openapi.json",
        live="/livez",
        ready="/readyz",
        metrics="/metrics",
        problems={slug: kind.uri for slug, kind in KINDS.items()},
    )


@router.get("/livez", operation_id="live", summary="Tell that the service lives")
async def live() -> Alive:
    """Answer as long as the process does; nothing else is looked at."""
    return Alive(status="alive")


@router.get(
    "/readyz",
    operation_id="ready",
    summary="Tell whether requests may be sent",
    responses=problem_responses(NOT_READY),
)
async def ready(request: Request) -> Ready:
    """Answer 200 while everything that requests need is there, 503 before, after and otherwise."""
    state = request.app.state
    gate: Gate = state.gate
    readiness: Readiness = state.readiness
    missing = [name for name, holds in (await readiness.findings()).items() if not holds]
    if gate.is_closed:
        missing = ["the service is stopping", *missing]
    if missing:
        reason = f"Not ready: {', '.join(missing)}."
        problem = problem_of(NOT_READY, reason).model_copy(update={"reason": reason})
        raise RefusalError(NOT_READY, problem)
    return Ready(status="ready")


@router.get(
    "/metrics",
    operation_id="metrics",
    summary="Give figures for Prometheus",
    response_class=Response,
    responses={200: {"content": {"text/plain": {"schema": {"type": "string"}}}}},
)
async def metrics(request: Request) -> Response:
    """Give counts and times by route, what the lanes do, and what the process uses."""
    encoder, media_type = choose_encoder(request.headers.get("accept", ""))
    return Response(encoder(request.app.state.metrics.registry), media_type=media_type)


@router.get(
    "/problems/{slug}",
    operation_id="problem_page",
    summary="Explain a kind of problem",
    response_class=HTMLResponse,
    responses=problem_responses(NOT_FOUND),
)
async def problem_page(slug: str) -> HTMLResponse:
    """Say what a kind of problem means and what to do about it."""
    kind = KINDS.get(slug)
    if kind is None:
        known = ", ".join(KINDS)
        raise RefusalError(NOT_FOUND, problem_of(NOT_FOUND, f"Known kinds: {known}."))
    title, text = html.escape(kind.title), html.escape(kind.page)
    return HTMLResponse(
        f'<!doctype html><html lang="en"><head><meta charset="utf-8"><title>{title}</title>'
        f"</head><body><h1>{title}</h1><p>Status {kind.status}, type {kind.uri}</p>"
        f"<p>{text}</p></body></html>\n"
    )


def _assets() -> Path:
    """Find the viewer's files, which come with an installed package and not from the net."""
    return Path(str(files("fastapi_offline"))) / "static"


def install(app: FastAPI) -> None:
    """Add the pages and the interactive documentation, all of it served from here."""
    app.include_router(router)
    app.mount(_ASSETS, StaticFiles(directory=_assets()), name="docs assets")

    @app.get("/docs", include_in_schema=False)
    async def docs() -> HTMLResponse:
        return get_swagger_ui_html(
            openapi_url="/openapi.json",
            title=f"{app.title}: interactive documentation",
            swagger_js_url=f"{_ASSETS}/swagger-ui-bundle.js",
            swagger_css_url=f"{_ASSETS}/swagger-ui.css",
            swagger_favicon_url=f"{_ASSETS}/favicon.png",
            # The viewer would otherwise ask a validator on the net about the contract.
            swagger_ui_parameters={"validatorUrl": None, "defaultModelsExpandDepth": 0},
        )
