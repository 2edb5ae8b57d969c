"""Mapped tags and readings."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from service.store.columns import Instant, Json

revision = "0002"
down_revision = "0001"

_CHANNEL = ("tag", "sample_point", "analyte")


def _names(*names: str) -> list[sa.Column[str]]:
    return [sa.Column(name, sa.String(80), nullable=False) for name in names]


def upgrade() -> None:
    """Make the tables."""
    _make_mapped()
    _make_readings()


def _make_mapped() -> None:
    op.create_table(
        "mapped_tags",
        sa.Column("version_id", sa.Uuid(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("site_id", sa.Uuid(), nullable=False),
        *_names(*_CHANNEL),
        sa.Column("unit", sa.String(20), nullable=False),
        sa.Column("unit_kind", sa.String(20), nullable=False),
        sa.Column("unit_size", sa.Double(), nullable=False),
        sa.Column("low", sa.Double(), nullable=True),
        sa.Column("high", sa.Double(), nullable=True),
        sa.Column("lag_s", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("version_id", "position", name="pk_mapped_tags"),
        sa.ForeignKeyConstraint(
            ["version_id"], ["versions.id"], name="fk_mapped_tags_version_id_versions"
        ),
        sa.ForeignKeyConstraint(["site_id"], ["sites.id"], name="fk_mapped_tags_site_id_sites"),
    )
    op.create_index(
        "ix_mapped_tags_site_id_tag_sample_point_analyte", "mapped_tags", ["site_id", *_CHANNEL]
    )
    op.create_table(
        "mapped_streams",
        sa.Column("version_id", sa.Uuid(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        *_names("stream"),
        sa.PrimaryKeyConstraint("version_id", "position", "stream", name="pk_mapped_streams"),
        sa.ForeignKeyConstraint(
            ["version_id", "position"],
            ["mapped_tags.version_id", "mapped_tags.position"],
            name="fk_mapped_streams_version_id_position_mapped_tags",
        ),
    )


def _make_readings() -> None:
    op.create_table(
        "readings",
        sa.Column("id", sa.Uuid(), nullable=False),
        sa.Column("site_id", sa.Uuid(), nullable=False),
        *_names("source", *_CHANNEL, "sample"),
        sa.Column("time", Instant(), nullable=False),
        sa.Column("newest", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_readings"),
        sa.ForeignKeyConstraint(["site_id"], ["sites.id"], name="fk_readings_site_id_sites"),
        sa.UniqueConstraint(
            *("site_id", "source", *_CHANNEL, "sample", "time"), name="uq_readings_identity"
        ),
    )
    op.create_index("ix_readings_site_id_time_id", "readings", ["site_id", "time", "id"])
    op.create_index(
        "ix_readings_site_id_tag_sample_point_analyte_time",
        "readings",
        ["site_id", *_CHANNEL, "time"],
    )
    op.create_table(
        "reading_versions",
        sa.Column("reading_id", sa.Uuid(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("status", sa.String(12), nullable=False),
        sa.Column("value", sa.Double(), nullable=True),
        sa.Column("unit", sa.String(20), nullable=True),
        sa.Column("unit_kind", sa.String(20), nullable=True),
        sa.Column("amount", sa.Double(), nullable=True),
        sa.Column("is_withdrawn", sa.Boolean(), nullable=False),
        sa.Column("composite_from", Instant(), nullable=True),
        sa.Column("composite_to", Instant(), nullable=True),
        sa.Column("body", Json(), nullable=False),
        sa.Column("received_at", Instant(), nullable=False),
        sa.PrimaryKeyConstraint("reading_id", "version", name="pk_reading_versions"),
        sa.ForeignKeyConstraint(
            ["reading_id"], ["readings.id"], name="fk_reading_versions_reading_id_readings"
        ),
    )


def downgrade() -> None:
    """Take them away, with what they hold."""
    for table in ("reading_versions", "readings", "mapped_streams", "mapped_tags"):
        op.drop_table(table)
