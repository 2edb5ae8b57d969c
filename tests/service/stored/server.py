"""A real server in a process of its own, which can be killed and started again within moments."""

from __future__ import annotations

import multiprocessing
from contextlib import suppress
from multiprocessing.connection import Connection
from typing import Self

import uvicorn

from service.app import create_app
from service.kit import logs
from service.kit.settings import Settings

# A helper process imports the service once; every server is forked from it, and starts at once.
_context = multiprocessing.get_context("forkserver")
_context.set_forkserver_preload([__name__])

_START_S = 60


class _Told(uvicorn.Server):
    """A server that tells through a pipe on which port it listens."""

    def __init__(self, config: uvicorn.Config, pipe: Connection) -> None:
        super().__init__(config)
        self._pipe = pipe

    async def startup(self, sockets: list[object] | None = None) -> None:
        """Start, and tell the port."""
        await super().startup(sockets)  # type: ignore[arg-type]
        self._pipe.send(self.servers[0].sockets[0].getsockname()[1])


def _serve(database_url: str, pipe: Connection) -> None:
    logs.configure()  # to standard error, which leaves standard output to who measures
    app = create_app(Settings(database_url=database_url))
    config = uvicorn.Config(app, port=0, lifespan="off", log_config=None)
    with suppress(KeyboardInterrupt):
        _Told(config, pipe).run()


class KillableServer:
    """The service on a database, as a context; its address changes with every start."""

    def __init__(self, database_url: str) -> None:
        self._database_url = database_url
        self.address = ""

    def __enter__(self) -> Self:
        """Start it."""
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        """End it."""
        self.kill()

    def start(self) -> None:
        """Start it, and wait until it listens."""
        ours, theirs = _context.Pipe()
        self._process = _context.Process(
            target=_serve, args=(self._database_url, theirs), daemon=True
        )
        self._process.start()
        theirs.close()
        if not ours.poll(_START_S):
            raise TimeoutError("the server did not start")
        self.address = f"http://127.0.0.1:{ours.recv()}"

    def kill(self) -> None:
        """End it by SIGKILL, in the middle of whatever it does."""
        self._process.kill()
        self._process.join()
