"""
A bare endpoint beside which the service is measured: the same body and reply, nothing calculated.

``python -m tests.benchmarks.bare PORT`` with a request on standard input.  The framework reads the
body into the same model and writes the reply from the same model, as it does for anyone.
"""

from __future__ import annotations

import sys

import uvicorn
from fastapi import FastAPI

from service.balances.reply import BalanceReply
from service.balances.schemas import BalanceRequest
from service.balances.service import balance
from service.kit.settings import Settings

PATH = "/v1/balances"


def bare(body: bytes) -> FastAPI:
    """Give an app that answers any balance request with the reply to this one."""
    reply = balance(body, Settings())
    app = FastAPI()

    @app.post(PATH, response_model_by_alias=True)
    async def answer(_: BalanceRequest) -> BalanceReply:
        return reply

    return app


if __name__ == "__main__":
    given = sys.stdin.buffer.read()
    uvicorn.run(bare(given), port=int(sys.argv[1]), log_level="warning", access_log=False)
