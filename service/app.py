"""The REST service, put together."""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

from fastapi import Depends, FastAPI
from pydantic import BaseModel

from service import pages
from service.access.guard import FirstKey, guard, write_into
from service.balances import routes
from service.balances.schemas import BalanceRequest
from service.balances.warm import warm_up
from service.calendars import routes as calendars
from service.calendars.schemas import CalendarVersion
from service.drift import routes as drift
from service.drift.schemas import DriftRequest
from service.flowsheets import routes as flowsheets
from service.flowsheets.schemas import FlowsheetVersion
from service.kept_tests import routes as kept_tests
from service.kit import contract, problem_replies
from service.kit.body import BodyLimit
from service.kit.calculations import InThreads, Lanes
from service.kit.gate import Gate, Guarded
from service.kit.observed import Metrics, Observed
from service.kit.readiness import Readiness
from service.kit.request_id import RequestId
from service.kit.settings import Settings
from service.kit.threads import use_one_thread_each
from service.mappings import routes as mappings
from service.mappings.schemas import MappingVersion
from service.readings import routes as readings
from service.readings.schemas import Batch
from service.sampling_plans import routes as sampling_plans
from service.sampling_plans.schemas import SamplingPlanRequest
from service.shifts import list_routes as shift_lists
from service.shifts import routes as shifts
from service.shifts import runner
from service.shifts.schemas import DecisionObject, SigningObject, UnlockingObject
from service.sites import routes as sites
from service.sites.schemas import SiteObject
from service.store import calls
from service.store.migrate import is_newest
from service.tests import routes as tests
from service.tests.schemas import TestSheet
from service.tests.spreadsheet import routes as test_sheets
from service.version import VERSION

_DESCRIPTION = """\
Mass-balance reconciliation for mineral separation.

Send a flowsheet and the readings taken on it; get back masses and assays that close at every
node, with their uncertainties, the yields and recoveries that follow, and a test of whether the
adjustments are as large as the stated errors say.

Requests are strict: unknown members are refused, numbers are numbers. Every error is a problem
document (RFC 9457) that lists all faults found, each with a JSON pointer and advice. Readers of
replies should pass over members they do not know, since replies may grow.

A balance is not a certificate for custody transfer.
"""

_REQUESTS: list[type[BaseModel]] = [
    BalanceRequest,
    TestSheet,
    DriftRequest,
    SamplingPlanRequest,
    SiteObject,
    FlowsheetVersion,
    CalendarVersion,
    MappingVersion,
    Batch,
    SigningObject,
    UnlockingObject,
    DecisionObject,
]
"""What routes read themselves, and the contract could not know otherwise."""


@asynccontextmanager
async def _serving(app: FastAPI) -> AsyncIterator[None]:
    """Keep worker processes from start to stop; requests may come while they are starting."""
    in_threads, lanes = app.state.calculations, Lanes(app.state.settings, warm_up)
    app.state.calculations = lanes
    starting = asyncio.create_task(lanes.stand_by())
    keeping = runner.start(app)
    try:
        yield
    finally:
        starting.cancel()
        keeping.cancel()
        app.state.calculations = in_threads
        await asyncio.to_thread(lanes.stop)


def create_app(settings: Settings | None = None) -> FastAPI:
    """
    Give the service as an ASGI application.

    Parameters
    ----------
    settings
        its limits; read from the environment if not given.
    """
    app = FastAPI(
        title="Evenlode",
        version=VERSION,
        summary="Mass-balance reconciliation for mineral separation",
        description=_DESCRIPTION,
        docs_url=None,
        redoc_url=None,
        lifespan=_serving,
        dependencies=[Depends(guard)],
        openapi_tags=[
            {"name": "balances", "description": "Reconciled balances."},
            {"name": "tests", "description": "Laboratory tests, as they were run."},
            {"name": "kept tests", "description": "Tests of a site, kept with their sheets."},
            {"name": "drift", "description": "Many shifts looked at together."},
            {"name": "sampling plans", "description": "The next best readings."},
            {"name": "sites", "description": "What a caller sees and changes together."},
            {"name": "flowsheets", "description": "Flowsheets of a site, in versions."},
            {"name": "readings", "description": "What was measured, exactly once."},
            {"name": "shifts", "description": "Balances of shifts: revisions, signatures, trail."},
            {"name": "mapping", "description": "What a site's tags and codes are readings of."},
            {"name": "calendar", "description": "Shifts and production days of a site."},
            {"name": "service", "description": "The service itself."},
        ],
    )
    use_one_thread_each()
    app.state.settings = settings or Settings()
    # Worker processes take over while a server runs the app.
    app.state.calculations = InThreads(app.state.settings)
    calls.install(app, app.state.settings)
    app.state.first_key = FirstKey()
    app.state.calculating = set()  # balances of shifts that nobody waits for any more
    app.include_router(routes.router)
    app.include_router(tests.router)
    app.include_router(test_sheets.router)
    app.include_router(drift.router)
    app.include_router(sampling_plans.router)
    app.include_router(sites.router)
    app.include_router(flowsheets.router)
    app.include_router(calendars.router)
    app.include_router(mappings.router)
    app.include_router(readings.router)
    app.include_router(shifts.router)
    app.include_router(shift_lists.router)
    app.include_router(kept_tests.router)
    pages.install(app)
    _install_readiness(app)
    problem_replies.install(app)
    contract.install(app, _REQUESTS, write_into)
    _install_middleware(app)
    return app


def _install_middleware(app: FastAPI) -> None:
    """Put middleware around the routes, the innermost first."""
    settings: Settings = app.state.settings
    app.state.gate = Gate()
    app.state.metrics = Metrics(lambda: app.state.calculations.load)
    app.add_middleware(
        BodyLimit, limit_bytes=settings.body_limit_bytes, limit_s=settings.body_limit_s
    )
    app.add_middleware(Guarded, gate=app.state.gate)
    app.add_middleware(Observed, metrics=app.state.metrics)
    app.add_middleware(RequestId)


def _install_readiness(app: FastAPI) -> None:
    """Say what has to hold before requests are sent here."""
    app.state.readiness = Readiness()
    app.state.readiness.add("workers", lambda: app.state.calculations.ready)
    app.state.readiness.add("database", lambda: is_newest(app.state.store))


def contract_text() -> str:
    """Give the OpenAPI document as it is checked in."""
    return json.dumps(create_app(Settings()).openapi(), indent=2, ensure_ascii=False) + "\n"


if __name__ == "__main__":
    # python -m service.app > openapi/openapi.json
    print(contract_text(), end="")  # noqa: T201 - the document is what this prints
