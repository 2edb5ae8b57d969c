"""Laboratory tests: the sheets as they came, and what was calculated from them."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from service.store.columns import Instant, Json
from service.store.migrations.guards import guard, unguard

revision = "0005"
down_revision = "0004"


def upgrade() -> None:
    """Make the tables; no revision is ever changed."""
    op.create_table(
        "tests",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("site_id", sa.Uuid(), nullable=False),
        sa.Column("title", sa.Text(), nullable=True),
        sa.Column("newest", sa.Integer(), nullable=False),
        sa.Column("created_at", Instant(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_tests"),
        sa.ForeignKeyConstraint(["site_id"], ["sites.id"], name="fk_tests_site_id_sites"),
    )
    op.create_index("ix_tests_site_id_id", "tests", ["site_id", "id"])
    op.create_table(
        "test_revisions",
        sa.Column("test_id", sa.Uuid(), nullable=False),
        sa.Column("revision", sa.Integer(), nullable=False),
        sa.Column("digest", sa.String(64), nullable=False),
        sa.Column("media_type", sa.String(100), nullable=False),
        sa.Column("sheet", sa.LargeBinary(), nullable=False),
        sa.Column("record", sa.Text(), nullable=False),
        sa.Column("summary", Json(), nullable=False),
        sa.Column("person", sa.Text(), nullable=True),
        sa.Column("reason", sa.Text(), nullable=True),
        sa.Column("made_at", Instant(), nullable=False),
        sa.PrimaryKeyConstraint("test_id", "revision", name="pk_test_revisions"),
        sa.ForeignKeyConstraint(["test_id"], ["tests.id"], name="fk_test_revisions_test_id_tests"),
    )
    guard("test_revisions")


def downgrade() -> None:
    """Take them away, with what they hold."""
    op.drop_table("test_revisions")
    op.drop_index("ix_tests_site_id_id", "tests")
    op.drop_table("tests")
    unguard("test_revisions")
