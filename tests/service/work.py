"""Work for worker processes to do in tests: found by name, so it stands in a module of its own."""

import os
import time

from service.kit.calculations import weigh
from service.kit.problems import NOT_FOUND, RefusalError, problem_of
from service.kit.settings import Settings


def nothing() -> None:
    """Prepare nothing."""


def echo(body: bytes, _: Settings) -> bytes:
    return body


def nap(body: bytes, _: Settings) -> bytes:
    time.sleep(0.5)
    return body[:1]


def niceness(_: bytes, __: Settings) -> bytes:
    return str(os.nice(0)).encode()


def weighty(_: bytes, __: Settings) -> bytes:
    """Turn out to be large, whatever the length of the body."""
    weigh(1_000_000)
    return str(os.nice(0)).encode()


def refuse(_: bytes, __: Settings) -> bytes:
    raise RefusalError(NOT_FOUND, problem_of(NOT_FOUND, "There is none."), {"Allow": "GET"})


def fail(_: bytes, __: Settings) -> bytes:
    raise RuntimeError("a slip in the program")


def crash(_: bytes, __: Settings) -> bytes:
    os._exit(9)


def hang(_: bytes, __: Settings) -> bytes:
    time.sleep(60)
    return b""


def devour(_: bytes, __: Settings) -> bytes:
    return bytes(4 * 1024**3)
