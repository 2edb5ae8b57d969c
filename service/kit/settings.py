"""Limits of the service: one typed object, set by environment variables."""

from __future__ import annotations

from pydantic import Field
from pydantic_settings import BaseSettings, SettingsConfigDict


class Settings(BaseSettings):
    """
    Limits, each settable by an environment variable with the prefix ``EVENLODE_``.

    ``EVENLODE_STREAM_LIMIT=500`` sets :attr:`stream_limit`, and so on.
    """

    model_config = SettingsConfigDict(env_prefix="EVENLODE_", frozen=True)

    body_limit_bytes: int = Field(
        default=8 * 1024 * 1024,
        gt=0,
        description="Largest request body in bytes. A thousand streams with ten assays each "
        "take about 1 MB, so 8 MiB leaves room and still bounds what one caller can make the "
        "server hold.",
    )
    body_limit_s: float = Field(
        default=60.0,
        gt=0,
        description="Longest time in seconds for a request body to arrive. The largest body "
        "takes a minute at 1.1 Mbit/s.",
    )
    stream_limit: int = Field(
        default=2000,
        gt=0,
        description="Most streams, and most nodes, in one flowsheet. It bounds the size of the "
        "reply and the time of one request.",
    )
    component_limit: int = Field(
        default=60,
        gt=0,
        description="Most components in one flowsheet. It bounds the same things as "
        "stream_limit; a full geochemical suite has about sixty elements.",
    )
    reading_limit: int = Field(
        default=50_000,
        gt=0,
        description="Most readings in one request; every stream of the largest flowsheet could "
        "have two dozen. It bounds the time spent on judging a request.",
    )
    time_budget_s: float = Field(
        default=60.0,
        gt=0,
        description="Longest time in seconds for one reconciliation. A request may ask for "
        "less, not for more.",
    )
    memory_budget_mb: float = Field(
        default=2000.0,
        gt=0,
        description="Most memory in megabytes that one reconciliation may plan to use.",
    )
    small_workers: int = Field(
        default=0,
        ge=0,
        description="Processes for small calculations; 0 is one for each core. Each holds about "
        "200 MB.",
    )
    large_workers: int = Field(
        default=1,
        gt=0,
        description="Processes for large calculations, at a lower priority. Each may use as much "
        "memory as memory_budget_mb allows, and more for the reply.",
    )
    queue_limit: int = Field(
        default=64,
        gt=0,
        description="Most calculations that wait for a process in each of the two lanes; further "
        "requests are refused with 503 and told when to come back.",
    )
    drain_s: float = Field(
        default=1.0,
        ge=0,
        description="Least time in seconds from the signal to stop until the service stops "
        "listening. Until then new requests are told 503. Behind a balancer, as long as it takes "
        "to notice that the service is not ready.",
    )
    stop_limit_s: float = Field(
        default=75.0,
        gt=0,
        description="Longest time in seconds that requests at work may take to finish once the "
        "service was told to stop: the time budget and what is beside it.",
    )
    key_needed: bool = Field(
        default=False,
        description="Whether callers on this machine need a key from the start. Without it they "
        "need one once the first has been made.",
    )
    database_url: str = Field(
        default="",
        description="Where sites, readings and balances are stored, as a URL: "
        "'sqlite:////var/lib/evenlode/evenlode.db' or 'postgresql://user@host/name'. Empty for "
        "the embedded default, a SQLite file in the user's data directory, which needs no "
        "set-up.",
    )
    database_connections: int = Field(
        default=10,
        gt=0,
        le=200,
        description="Most connections to the database at a time. As many requests use it at "
        "once; the rest wait. PostgreSQL has 100 for all its callers unless told otherwise.",
    )
    database_wait_s: float = Field(
        default=10.0,
        gt=0,
        description="Longest time in seconds that a request waits for a connection, or for "
        "another writer, before it is answered with 503.",
    )
    migrate_on_start: bool = Field(
        default=False,
        description="Whether 'evenlode serve' brings a PostgreSQL database to its newest form by "
        "itself. The embedded SQLite file always is; a shared database is migrated by "
        "'evenlode migrate', once, before the new version starts.",
    )
    idempotency_hours: float = Field(
        default=168.0,
        gt=0,
        description="Hours for which the answer to an Idempotency-Key is kept. A week outlasts "
        "the longest week-end that a plant data system may take to try again.",
    )
    recalculate_after_s: float = Field(
        default=5.0,
        ge=0,
        description="Seconds for which the readings of a shift rest before its balance is "
        "calculated by itself, so that a burst of postings is one calculation. Who asks for the "
        "balance need not wait for that.",
    )
    answer_within_s: float = Field(
        default=10.0,
        gt=0,
        description="Seconds after which a request for the balance of a shift is answered with "
        "202 and an address, while the calculation goes on.",
    )
