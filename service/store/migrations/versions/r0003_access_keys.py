"""Keys of callers."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from service.store.columns import Instant, Json

revision = "0003"
down_revision = "0002"


def upgrade() -> None:
    """Make the table."""
    op.create_table(
        "access_keys",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("prefix", sa.String(12), nullable=False),
        sa.Column("digest", sa.String(64), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("site_id", sa.Uuid(), nullable=True),
        sa.Column("scopes", Json(), nullable=False),
        sa.Column("created_at", Instant(), nullable=False),
        sa.Column("expires_at", Instant(), nullable=True),
        sa.Column("revoked_at", Instant(), nullable=True),
        sa.PrimaryKeyConstraint("id", name="pk_access_keys"),
        sa.UniqueConstraint("prefix", name="uq_access_keys_prefix"),
        sa.ForeignKeyConstraint(["site_id"], ["sites.id"], name="fk_access_keys_site_id_sites"),
    )


def downgrade() -> None:
    """Take it away."""
    op.drop_table("access_keys")
