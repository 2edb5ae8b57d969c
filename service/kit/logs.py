"""The log: one JSON object a line, on standard error, whoever writes it."""

from __future__ import annotations

import logging
import sys

import structlog
from structlog.typing import EventDict, Processor, WrappedLogger

_NOISE = ("color_message",)  # the server's own text again, with escape codes
_TALKATIVE = ("alembic", "fontTools", "fpdf", "matplotlib")
"""Libraries that tell at every turn what they are at: which database, which letters."""


def _without_noise(_: WrappedLogger, __: str, event: EventDict) -> EventDict:
    for name in _NOISE:
        event.pop(name, None)
    return event


_SHARED: list[Processor] = [
    structlog.contextvars.merge_contextvars,
    structlog.stdlib.add_log_level,
    structlog.stdlib.add_logger_name,
    structlog.stdlib.ExtraAdder(),
    structlog.processors.TimeStamper(fmt="iso", utc=True),
    structlog.processors.format_exc_info,
    _without_noise,
]


def configure() -> None:
    """
    Let everything that this process logs come out as JSON lines.

    Each has ``timestamp`` (RFC 3339, UTC), ``level``, ``logger`` and ``event``; within a request
    also ``request_id``, ``trace_id`` and ``span_id``.
    """
    structlog.configure(
        processors=[*_SHARED, structlog.stdlib.ProcessorFormatter.wrap_for_formatter],
        logger_factory=structlog.stdlib.LoggerFactory(),
        wrapper_class=structlog.stdlib.BoundLogger,
        cache_logger_on_first_use=True,
    )
    handler = logging.StreamHandler(sys.stderr)
    handler.setFormatter(
        structlog.stdlib.ProcessorFormatter(
            foreign_pre_chain=_SHARED,
            processors=[
                structlog.stdlib.ProcessorFormatter.remove_processors_meta,
                structlog.processors.JSONRenderer(ensure_ascii=False),
            ],
        )
    )
    root = logging.getLogger()
    root.handlers = [handler]
    root.setLevel(logging.INFO)
    for name in _TALKATIVE:
        logging.getLogger(name).setLevel(logging.WARNING)
