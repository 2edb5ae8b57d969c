"""Sites, versions of what belongs to them, and answers to postings."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from service.store.columns import Instant, Json

revision = "0001"
down_revision = None


def upgrade() -> None:
    """Make the first tables."""
    op.create_table(
        "sites",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("key", sa.String(64), nullable=False),
        sa.Column("revision", sa.Integer(), nullable=False),
        sa.Column("body", Json(), nullable=False),
        sa.Column("created_at", Instant(), nullable=False),
        sa.Column("changed_at", Instant(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_sites"),
        sa.UniqueConstraint("key", name="uq_sites_key"),
    )
    op.create_table(
        "site_revisions",
        sa.Column("site_id", sa.Uuid(), nullable=False),
        sa.Column("revision", sa.Integer(), nullable=False),
        sa.Column("body", Json(), nullable=False),
        sa.Column("changed_at", Instant(), nullable=False),
        sa.PrimaryKeyConstraint("site_id", "revision", name="pk_site_revisions"),
        sa.ForeignKeyConstraint(["site_id"], ["sites.id"], name="fk_site_revisions_site_id_sites"),
    )
    op.create_table(
        "versions",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("site_id", sa.Uuid(), nullable=False),
        sa.Column("kind", sa.String(16), nullable=False),
        sa.Column("key", sa.String(64), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("valid_from", Instant(), nullable=False),
        sa.Column("valid_until", Instant(), nullable=True),
        sa.Column("note", sa.Text(), nullable=True),
        sa.Column("body", Json(), nullable=False),
        sa.Column("created_at", Instant(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_versions"),
        sa.ForeignKeyConstraint(["site_id"], ["sites.id"], name="fk_versions_site_id_sites"),
        sa.UniqueConstraint(
            *("site_id", "kind", "key", "version"), name="uq_versions_site_id_kind_key_version"
        ),
    )
    op.create_table(
        "answers",
        sa.Column("scope", sa.String(400), nullable=False),
        sa.Column("key", sa.String(200), nullable=False),
        sa.Column("fingerprint", sa.String(64), nullable=False),
        sa.Column("status", sa.Integer(), nullable=False),
        sa.Column("headers", Json(), nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.Column("created_at", Instant(), nullable=False),
        sa.Column("expires_at", Instant(), nullable=False),
        sa.PrimaryKeyConstraint("scope", "key", name="pk_answers"),
    )
    op.create_index("ix_answers_expires_at", "answers", ["expires_at"])


def downgrade() -> None:
    """Take them away."""
    for table in ("answers", "versions", "site_revisions", "sites"):
        op.drop_table(table)
