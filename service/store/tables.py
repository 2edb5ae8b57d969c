"""The tables as they are now; the migrations say how they came to be so."""

from __future__ import annotations

import sqlalchemy as sa

from .columns import NAMES, Instant, Json

metadata = sa.MetaData(naming_convention=NAMES)

sites = sa.Table(
    "sites",
    metadata,
    sa.Column("id", sa.Uuid(), primary_key=True),
    sa.Column("key", sa.String(64), nullable=False, unique=True),
    sa.Column("revision", sa.Integer(), nullable=False),
    sa.Column("body", Json(), nullable=False),
    sa.Column("created_at", Instant(), nullable=False),
    sa.Column("changed_at", Instant(), nullable=False),
)
"""What a caller may see and change together: a plant, a laboratory's customer."""

site_revisions = sa.Table(
    "site_revisions",
    metadata,
    sa.Column("site_id", sa.ForeignKey("sites.id"), primary_key=True),
    sa.Column("revision", sa.Integer(), primary_key=True),
    sa.Column("body", Json(), nullable=False),
    sa.Column("changed_at", Instant(), nullable=False),
)
"""Every state that a site had."""

versions = sa.Table(
    "versions",
    metadata,
    sa.Column("id", sa.Uuid(), primary_key=True),
    sa.Column("site_id", sa.ForeignKey("sites.id"), nullable=False),
    sa.Column("kind", sa.String(16), nullable=False),
    sa.Column("key", sa.String(64), nullable=False),
    sa.Column("version", sa.Integer(), nullable=False),
    sa.Column("valid_from", Instant(), nullable=False),
    sa.Column("valid_until", Instant(), nullable=True),
    sa.Column("note", sa.Text(), nullable=True),
    sa.Column("body", Json(), nullable=False),
    sa.Column("created_at", Instant(), nullable=False),
    sa.UniqueConstraint("site_id", "kind", "key", "version"),
)
"""Versions of flowsheets, tag mappings and shift calendars; a body never changes."""

answers = sa.Table(
    "answers",
    metadata,
    sa.Column("scope", sa.String(400), primary_key=True),
    sa.Column("key", sa.String(200), primary_key=True),
    sa.Column("fingerprint", sa.String(64), nullable=False),
    sa.Column("status", sa.Integer(), nullable=False),
    sa.Column("headers", Json(), nullable=False),
    sa.Column("body", sa.Text(), nullable=False),
    sa.Column("created_at", Instant(), nullable=False),
    sa.Column("expires_at", Instant(), nullable=False, index=True),
)
"""What postings with an Idempotency-Key were answered with."""
