"""Balances of shifts, their revisions, and the trail of what persons decided."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from service.store.columns import Instant, Json
from service.store.migrations.guards import guard, unguard

revision = "0004"
down_revision = "0003"

_NEVER_CHANGED = ("balance_revisions", "trail")
_TABLES = ("trail", "due_spells", "balance_readings", "balance_uses", "balance_revisions")


def upgrade() -> None:
    """Make the tables, and let the database guard what must never change."""
    _make_balances()
    _make_revisions()
    _make_parts()
    _make_trail()
    for table in _NEVER_CHANGED:
        guard(table)


def _make_balances() -> None:
    op.create_table(
        "shift_balances",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("site_id", sa.Uuid(), nullable=False),
        sa.Column("flowsheet", sa.String(64), nullable=False),
        sa.Column("day", sa.Date(), nullable=False),
        sa.Column("shift", sa.String(64), nullable=False),
        sa.Column("start", Instant(), nullable=False),
        sa.Column("end", Instant(), nullable=False),
        sa.Column("changes", sa.Integer(), nullable=False),
        sa.Column("stale_since", Instant(), nullable=True),
        sa.Column("newest", sa.Integer(), nullable=False),
        sa.Column("signed", sa.Integer(), nullable=True),
        sa.Column("problem", Json(), nullable=True),
        sa.PrimaryKeyConstraint("id", name="pk_shift_balances"),
        sa.ForeignKeyConstraint(["site_id"], ["sites.id"], name="fk_shift_balances_site_id_sites"),
        sa.UniqueConstraint(
            *("site_id", "flowsheet", "day", "shift"),
            name="uq_shift_balances_site_id_flowsheet_day_shift",
        ),
    )
    op.create_index("ix_shift_balances_stale_since", "shift_balances", ["stale_since"])
    op.create_index(
        "ix_shift_balances_site_id_start_id", "shift_balances", ["site_id", "start", "id"]
    )


def _make_revisions() -> None:
    op.create_table(
        "balance_revisions",
        sa.Column("balance_id", sa.Uuid(), nullable=False),
        sa.Column("revision", sa.Integer(), nullable=False),
        sa.Column("digest", sa.String(64), nullable=False),
        sa.Column("inputs_digest", sa.String(64), nullable=False),
        sa.Column("record", sa.Text(), nullable=False),
        sa.Column("summary", Json(), nullable=False),
        sa.Column("made_at", Instant(), nullable=False),
        sa.PrimaryKeyConstraint("balance_id", "revision", name="pk_balance_revisions"),
        sa.ForeignKeyConstraint(
            ["balance_id"],
            ["shift_balances.id"],
            name="fk_balance_revisions_balance_id_shift_balances",
        ),
    )


def _make_parts() -> None:
    op.create_table(
        "balance_uses",
        sa.Column("balance_id", sa.Uuid(), nullable=False),
        sa.Column("revision", sa.Integer(), nullable=False),
        sa.Column("reading_id", sa.Uuid(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=True),
        sa.PrimaryKeyConstraint("balance_id", "revision", "reading_id", name="pk_balance_uses"),
        sa.ForeignKeyConstraint(
            ["reading_id"], ["readings.id"], name="fk_balance_uses_reading_id_readings"
        ),
        _of_revision("balance_uses"),
    )
    op.create_index("ix_balance_uses_reading_id", "balance_uses", ["reading_id"])
    op.create_table(
        "balance_readings",
        sa.Column("balance_id", sa.Uuid(), nullable=False),
        sa.Column("revision", sa.Integer(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("places", sa.Text(), nullable=False),
        sa.Column("knowledge", sa.String(20), nullable=False),
        sa.Column("body", Json(), nullable=False),
        sa.PrimaryKeyConstraint("balance_id", "revision", "position", name="pk_balance_readings"),
        _of_revision("balance_readings"),
    )


def _of_revision(table: str) -> sa.ForeignKeyConstraint:
    return sa.ForeignKeyConstraint(
        ["balance_id", "revision"],
        ["balance_revisions.balance_id", "balance_revisions.revision"],
        name=f"fk_{table}_balance_id_revision_balance_revisions",
    )


def _make_trail() -> None:
    op.create_table(
        "due_spells",
        sa.Column("site_id", sa.Uuid(), nullable=False),
        sa.Column("since", Instant(), nullable=False),
        sa.PrimaryKeyConstraint("site_id", name="pk_due_spells"),
        sa.ForeignKeyConstraint(["site_id"], ["sites.id"], name="fk_due_spells_site_id_sites"),
    )
    op.create_table(
        "trail",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("site_id", sa.Uuid(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("reading_id", sa.Uuid(), nullable=True),
        sa.Column("balance_id", sa.Uuid(), nullable=True),
        sa.Column("body", sa.Text(), nullable=False),
        sa.Column("digest", sa.String(64), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_trail"),
        sa.ForeignKeyConstraint(["site_id"], ["sites.id"], name="fk_trail_site_id_sites"),
        sa.ForeignKeyConstraint(
            ["reading_id"], ["readings.id"], name="fk_trail_reading_id_readings"
        ),
        sa.ForeignKeyConstraint(
            ["balance_id"], ["shift_balances.id"], name="fk_trail_balance_id_shift_balances"
        ),
        sa.UniqueConstraint("site_id", "number", name="uq_trail_site_id_number"),
    )
    op.create_index("ix_trail_reading_id", "trail", ["reading_id"])
    op.create_index("ix_trail_balance_id", "trail", ["balance_id"])


def downgrade() -> None:
    """Take them away, with what they hold."""
    for table in (*_TABLES, "shift_balances"):
        op.drop_table(table)
    for table in _NEVER_CHANGED:
        unguard(table)
