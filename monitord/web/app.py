"""The dashboard as an ASGI application: which parts there are, in which order a request meets them."""

from __future__ import annotations

import logging
from collections.abc import AsyncIterator, Callable, Mapping
from contextlib import asynccontextmanager

from anyio import to_thread
from fastapi import APIRouter, FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse, Response
from starlette.exceptions import HTTPException
from starlette.middleware.gzip import GZipMiddleware
from starlette.staticfiles import StaticFiles
from starlette.types import ASGIApp, Message, Receive, Scope, Send
from uvicorn.middleware.proxy_headers import ProxyHeadersMiddleware

from monitord import __version__
from monitord.alerts.lifecycle.rule_files import rule_book
from monitord.clock import Clock
from monitord.errors import MonitordError
from monitord.model.config.settings import Settings
from monitord.model.readiness.criteria_files import criteria_book
from monitord.store.db.database import Database
from monitord.web.charts.kept_figures import FiguresKept
from monitord.web.middleware.etag import ETagMiddleware
from monitord.web.middleware.gate import Gate
from monitord.web.middleware.origin_check import OriginCheck
from monitord.web.middleware.packing import LEVEL
from monitord.web.page_context import STATIC, Web, environment
from monitord.web.routes.alert_pages import AlertPages
from monitord.web.routes.alert_routes import AlertRoutes
from monitord.web.routes.api import Api
from monitord.web.routes.client_routes import ClientRoutes
from monitord.web.routes.download_routes import DownloadRoutes
from monitord.web.routes.health import AssessMemory, Health, no_memory
from monitord.web.routes.ingest_routes import IngestRoutes
from monitord.web.routes.mute_pause_routes import MutePauseRoutes
from monitord.web.routes.on_site.calibration_routes import CalibrationRoutes
from monitord.web.routes.on_site.check_routes import CheckRoutes
from monitord.web.routes.on_site.equipment_routes import EquipmentRoutes
from monitord.web.routes.on_site.job_form_routes import JobFormRoutes
from monitord.web.routes.on_site.location_form_routes import LocationFormRoutes
from monitord.web.routes.on_site.note_routes import NoteRoutes
from monitord.web.routes.on_site.place_routes import PlaceRoutes
from monitord.web.routes.on_site.plan_routes import PlanRoutes
from monitord.web.routes.on_site.slab_routes import SlabRoutes
from monitord.web.routes.on_site.spot_routes import SpotRoutes
from monitord.web.routes.pages import Pages
from monitord.web.routes.readiness_pages import ReadinessPages
from monitord.web.routes.settings.channel_routes import ChannelRoutes
from monitord.web.routes.settings.default_routes import DefaultRoutes
from monitord.web.routes.settings.rule_routes import RuleRoutes
from monitord.web.routes.settings.settings_routes import SettingsRoutes
from monitord.web.routes.sign_in_routes import SignInRoutes

_log = logging.getLogger(__name__)


REQUESTS_AT_ONCE = 8
"""Requests that are worked on together, each in a thread with a connection to the store; others wait. Our choice: more
gain nothing on the few cores of a small machine, and each keeps its thread, files and memory afterwards. The library's
own limit is 40."""


@asynccontextmanager
async def _bounded(_: FastAPI) -> AsyncIterator[None]:
    to_thread.current_default_thread_limiter().total_tokens = REQUESTS_AT_ONCE
    yield


def create_app(
    db: Database,
    clock: Clock,
    settings: Settings | None = None,
    health_problem: Callable[[], str | None] = lambda: None,
    assess_memory: AssessMemory = no_memory,
) -> FastAPI:
    """The dashboard over a database, at the time of a clock.

    `health_problem` says why the program is not well, or None; `assess_memory` of how many jobs this process keeps the
    hours, where it assesses. Beyond this machine it answers only over https, under the name that `web.public_url` says.
    """
    settings = settings or Settings()
    web = parts(db, clock, settings)
    app = FastAPI(
        title="monitord",
        version=__version__,
        description="What the probes of each job say, what it means, and who should hear of it.",
        docs_url=None,  # its pages load scripts from elsewhere
        redoc_url=None,
        openapi_url="/api/openapi.json",
        lifespan=_bounded,
    )
    for router in routers(web, health_problem, assess_memory):
        app.include_router(router)
    app.mount("/static", _Static(directory=STATIC), name="static")
    # added last, met first
    app.add_middleware(ETagMiddleware)
    app.add_middleware(GZipMiddleware, minimum_size=600, compresslevel=LEVEL)
    app.add_middleware(Gate, web=web)
    app.add_middleware(_Failsafe, web=web)
    app.add_middleware(OriginCheck, public_urls=(settings.web.public_url, settings.alerts.public_url))
    if settings.web.trusted_proxies:
        app.add_middleware(ProxyHeadersMiddleware, trusted_hosts=list(settings.web.trusted_proxies))
    _answer_errors(app, web)
    return app


def parts(db: Database, clock: Clock, settings: Settings) -> Web:
    """What all routes share."""
    return Web(
        db,
        clock,
        settings,
        environment(settings.web.units),
        FiguresKept(settings.analysis),
        rule_book(settings.alerts.rules_file),
    )


def routers(
    web: Web, health_problem: Callable[[], str | None] = lambda: None, assess_memory: AssessMemory = no_memory
) -> list[APIRouter]:
    """Every route there is, but for static files and the description of the API."""
    criteria = criteria_book(web.settings.criteria.folder)
    return [
        Pages(web).router(),
        AlertPages(web).router(),
        ReadinessPages(web, criteria).router(),
        DownloadRoutes(web, criteria).router(),
        AlertRoutes(web).router(),
        MutePauseRoutes(web).router(),
        JobFormRoutes(web).router(),
        PlaceRoutes(web).router(),
        SpotRoutes(web).router(),
        NoteRoutes(web).router(),
        PlanRoutes(web).router(),
        EquipmentRoutes(web).router(),
        CheckRoutes(web).router(),
        LocationFormRoutes(web).router(),
        SlabRoutes(web, criteria).router(),
        CalibrationRoutes(web).router(),
        ChannelRoutes(web).router(),
        ClientRoutes(web).router(),
        Api(web).router(),
        IngestRoutes(web).router(),
        Health(web, health_problem, assess_memory).router(),
        SignInRoutes(web).router(),
        SettingsRoutes(web).router(),
        RuleRoutes(web).router(),
        DefaultRoutes(web, criteria).router(),
    ]


class _Static(StaticFiles):
    """Files that may be kept for long where their address names their content."""

    async def get_response(self, path: str, scope: Scope) -> Response:
        response = await super().get_response(path, scope)
        if scope["query_string"].startswith(b"v="):
            response.headers["cache-control"] = "public, max-age=31536000, immutable"
        return response


class _Failsafe:
    """ASGI middleware: what nobody foresaw is logged, and answered as a page with all the headers of one."""

    def __init__(self, app: ASGIApp, web: Web) -> None:
        self._app = app
        self._web = web

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        begun = False

        async def noting(message: Message) -> None:
            nonlocal begun
            begun = True
            await send(message)

        try:
            await self._app(scope, receive, noting)
        except Exception:
            _log.exception("%s failed", scope.get("path", ""))
            if begun or scope["type"] != "http":
                raise
            page = self._web.error_page(500, "This page could not be made; the log of monitord says why.")
            await page(scope, receive, send)


def _answer_errors(app: FastAPI, web: Web) -> None:
    """Errors as pages for people, as JSON for programs; both say what happened and what to do."""

    def answer(request: Request, status: int, detail: str, headers: Mapping[str, str] | None = None) -> Response:
        if request.url.path.startswith("/api/"):
            return JSONResponse({"detail": detail}, status, headers)
        return web.error_page(status, detail)

    @app.exception_handler(HTTPException)
    async def refused(request: Request, error: HTTPException) -> Response:
        detail = str(error.detail)
        nameless = error.status_code == 404 and detail == "Not Found"  # the framework's own words, for no route at all
        return answer(request, error.status_code, "There is no such page." if nameless else detail, error.headers)

    @app.exception_handler(RequestValidationError)
    async def not_understood(request: Request, error: RequestValidationError) -> Response:
        said = "; ".join(f"{item['loc'][-1]}: {item['msg']}" for item in error.errors())
        return answer(request, 422, f"The address can't be understood: {said}.")

    @app.exception_handler(MonitordError)
    async def unable(request: Request, error: MonitordError) -> Response:
        _log.error("%s: %s", request.url.path, error.message)
        return answer(request, 503, error.message)
