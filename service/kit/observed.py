"""Every request is counted, timed and logged, by the template of its route."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from time import perf_counter

import structlog
from prometheus_client import CollectorRegistry, Counter, Gauge, Histogram
from prometheus_client.core import GaugeMetricFamily
from prometheus_client.metrics_core import Metric
from prometheus_client.platform_collector import PlatformCollector
from prometheus_client.process_collector import ProcessCollector
from prometheus_client.registry import Collector
from starlette.types import ASGIApp, Message, Receive, Scope, Send

UNMATCHED = "unmatched"
"""The route of every address that has none, so that callers cannot make labels."""

OTHER = "other"
"""The method of every request that has none of the usual."""

_METHODS = frozenset({"GET", "HEAD", "POST", "PUT", "PATCH", "DELETE", "OPTIONS"})

_BUCKETS = (0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1.0, 2.5, 5.0, 10.0, 30.0, 60.0)
"""Seconds: from a small balance to the time budget."""

Load = Callable[[], dict[str, tuple[int, int]]]
"""How many calculations run and wait, by lane."""

_log = structlog.stdlib.get_logger("evenlode.access")


class _Calculations(Collector):
    """The state of the lanes at the time of asking."""

    def __init__(self, load: Load) -> None:
        self._load = load

    def collect(self) -> Iterable[Metric]:
        family = GaugeMetricFamily(
            "evenlode_calculations", "Calculations by lane and state", labels=["lane", "state"]
        )
        for lane, (running, waiting) in self._load().items():
            family.add_metric([lane, "running"], running)
            family.add_metric([lane, "waiting"], waiting)
        yield family


class Metrics:
    """What is measured of one app, in a registry of its own."""

    def __init__(self, load: Load) -> None:
        self.registry = CollectorRegistry()
        self.requests = Counter(
            "evenlode_http_requests",
            "Requests answered",
            ["method", "route", "status"],
            registry=self.registry,
        )
        self.seconds = Histogram(
            "evenlode_http_request_seconds",
            "Time from the head of a request to the end of its reply",
            ["method", "route"],
            buckets=_BUCKETS,
            registry=self.registry,
        )
        self.in_progress = Gauge(
            "evenlode_http_requests_in_progress",
            "Requests being answered",
            registry=self.registry,
        )
        self.registry.register(_Calculations(load))
        ProcessCollector(registry=self.registry)
        PlatformCollector(registry=self.registry)


def route_of(scope: Scope) -> str:
    """Give the template of the route that took a request, of which there are only so many."""
    return str(getattr(scope.get("route"), "path", UNMATCHED))


class Observed:
    """Plain ASGI middleware: counts and times each request, and writes one line about it."""

    def __init__(self, app: ASGIApp, metrics: Metrics) -> None:
        self.app = app
        self.metrics = metrics

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass the request on, and tell of it when it is over."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        started, status = perf_counter(), 500  # what is not answered in here is a defect

        async def send_noted(message: Message) -> None:
            nonlocal status
            if message["type"] == "http.response.start":
                status = message["status"]
            await send(message)

        self.metrics.in_progress.inc()
        try:
            await self.app(scope, receive, send_noted)
        finally:
            self.metrics.in_progress.dec()
            self._tell(scope, status, perf_counter() - started)

    def _tell(self, scope: Scope, status: int, seconds: float) -> None:
        method = scope["method"] if scope["method"] in _METHODS else OTHER
        route = route_of(scope)
        self.metrics.requests.labels(method, route, str(status)).inc()
        self.metrics.seconds.labels(method, route).observe(seconds)
        _log.info("request", method=method, route=route, status=status, ms=round(1e3 * seconds, 3))
