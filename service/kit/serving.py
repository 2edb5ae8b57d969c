"""The server: how long it waits for what, and how it stops."""

from __future__ import annotations

from types import FrameType

import uvicorn
from fastapi import FastAPI

from .gate import Gate
from .settings import Settings

_KEEP_ALIVE_S = 30  # an idle connection of a caller that asks every few seconds stays open


class Server(uvicorn.Server):
    """
    A server that stops in two steps.

    At the first signal the gate closes: new requests are refused with 503, and readiness says so,
    while what is at work finishes.  Once it has, and a balancer has had time to notice, the server
    ends.  A second signal ends it at once.
    """

    def __init__(self, config: uvicorn.Config, gate: Gate, settings: Settings) -> None:
        super().__init__(config)
        self._gate = gate
        self._settings = settings

    def handle_exit(self, sig: int, frame: FrameType | None) -> None:
        """Close the gate, or end at once where it is closed."""
        if self._gate.is_closed:
            super().handle_exit(sig, frame)
        else:
            self._captured_signals.append(sig)
            self._gate.close()

    async def on_tick(self, counter: int) -> bool:
        """End once everything at work has finished, or has taken too long."""
        gate, settings = self._gate, self._settings
        over = gate.in_flight == 0 and gate.closed_for_s >= settings.drain_s
        if gate.is_closed and (over or gate.closed_for_s >= settings.stop_limit_s):
            self.should_exit = True
        return await super().on_tick(counter)


def serve(app: FastAPI, settings: Settings, host: str, port: int) -> None:
    """Serve an app until a signal stops it; its gate is on its state."""
    config = uvicorn.Config(
        app,
        host=host,
        port=port,
        server_header=False,
        log_config=None,
        access_log=False,
        # Who asks is who is connected: what a header says of it is not trusted.
        proxy_headers=False,
        timeout_keep_alive=_KEEP_ALIVE_S,
        timeout_graceful_shutdown=1,
    )
    Server(config, app.state.gate, settings).run()
