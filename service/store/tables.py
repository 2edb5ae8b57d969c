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

access_keys = sa.Table(
    "access_keys",
    metadata,
    sa.Column("id", sa.Uuid(), primary_key=True),
    sa.Column("prefix", sa.String(12), nullable=False, unique=True),
    sa.Column("digest", sa.String(64), nullable=False),
    sa.Column("name", sa.Text(), nullable=False),
    sa.Column("site_id", sa.ForeignKey("sites.id"), nullable=True),
    sa.Column("scopes", Json(), nullable=False),
    sa.Column("created_at", Instant(), nullable=False),
    sa.Column("expires_at", Instant(), nullable=True),
    sa.Column("revoked_at", Instant(), nullable=True),
)
"""Keys of callers: what each opens and until when; the key itself is not kept."""

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

mapped_tags = sa.Table(
    "mapped_tags",
    metadata,
    sa.Column("version_id", sa.ForeignKey("versions.id"), primary_key=True),
    sa.Column("position", sa.Integer(), primary_key=True),
    sa.Column("site_id", sa.ForeignKey("sites.id"), nullable=False),
    sa.Column("tag", sa.String(80), nullable=False),
    sa.Column("sample_point", sa.String(80), nullable=False),
    sa.Column("analyte", sa.String(80), nullable=False),
    sa.Column("unit", sa.String(20), nullable=False),
    sa.Column("unit_kind", sa.String(20), nullable=False),
    sa.Column("unit_size", sa.Double(), nullable=False),
    sa.Column("low", sa.Double(), nullable=True),
    sa.Column("high", sa.Double(), nullable=True),
    sa.Column("lag_s", sa.Integer(), nullable=False),
    sa.Index(None, "site_id", "tag", "sample_point", "analyte"),
)
"""The entries of tag mappings, as far as readings are joined with them; empty for not given."""

mapped_streams = sa.Table(
    "mapped_streams",
    metadata,
    sa.Column("version_id", sa.Uuid(), primary_key=True),
    sa.Column("position", sa.Integer(), primary_key=True),
    sa.Column("stream", sa.String(80), primary_key=True),
    sa.ForeignKeyConstraint(
        ["version_id", "position"], ["mapped_tags.version_id", "mapped_tags.position"]
    ),
)
"""The streams, or the stock, that an entry is of."""

readings = sa.Table(
    "readings",
    metadata,
    sa.Column("id", sa.Uuid(), primary_key=True),
    sa.Column("site_id", sa.ForeignKey("sites.id"), nullable=False),
    sa.Column("source", sa.String(80), nullable=False),
    sa.Column("tag", sa.String(80), nullable=False),
    sa.Column("sample_point", sa.String(80), nullable=False),
    sa.Column("analyte", sa.String(80), nullable=False),
    sa.Column("sample", sa.String(80), nullable=False),
    sa.Column("time", Instant(), nullable=False),
    sa.Column("newest", sa.Integer(), nullable=False),
    sa.UniqueConstraint(
        *("site_id", "source", "tag", "sample_point", "analyte", "sample", "time"),
        name="uq_readings_identity",
    ),
    sa.Index(None, "site_id", "time", "id"),
    sa.Index(None, "site_id", "tag", "sample_point", "analyte", "time"),
)
"""One row for each natural identity; ``newest`` is the highest version that came, whenever."""

reading_versions = sa.Table(
    "reading_versions",
    metadata,
    sa.Column("reading_id", sa.ForeignKey("readings.id"), primary_key=True),
    sa.Column("version", sa.Integer(), primary_key=True),
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
)
"""
Every version that came of a reading; none is ever changed.

``value`` is in ``unit``, ``amount`` the same in the base unit of its kind, where there is a unit.
"""

shift_balances = sa.Table(
    "shift_balances",
    metadata,
    sa.Column("id", sa.Uuid(), primary_key=True),
    sa.Column("site_id", sa.ForeignKey("sites.id"), nullable=False),
    sa.Column("flowsheet", sa.String(64), nullable=False),
    sa.Column("day", sa.Date(), nullable=False),
    sa.Column("shift", sa.String(64), nullable=False),
    sa.Column("start", Instant(), nullable=False),
    sa.Column("end", Instant(), nullable=False),
    sa.Column("changes", sa.Integer(), nullable=False),
    sa.Column("stale_since", Instant(), nullable=True, index=True),
    sa.Column("newest", sa.Integer(), nullable=False),
    sa.Column("signed", sa.Integer(), nullable=True),
    sa.Column("problem", Json(), nullable=True),
    sa.UniqueConstraint("site_id", "flowsheet", "day", "shift"),
    sa.Index(None, "site_id", "start", "id"),
)
"""
The balance of a flowsheet over a shift, as it stands.

``changes`` counts whatever happened to it, ``stale_since`` is when something came that it does not
hold yet, ``newest`` the number of its last revision (0 without any), ``signed`` that of the one
which is signed, ``problem`` why the last calculation gave none.
"""

balance_revisions = sa.Table(
    "balance_revisions",
    metadata,
    sa.Column("balance_id", sa.ForeignKey("shift_balances.id"), primary_key=True),
    sa.Column("revision", sa.Integer(), primary_key=True),
    sa.Column("digest", sa.String(64), nullable=False),
    sa.Column("inputs_digest", sa.String(64), nullable=False),
    sa.Column("record", sa.Text(), nullable=False),
    sa.Column("summary", Json(), nullable=False),
    sa.Column("made_at", Instant(), nullable=False),
)
"""
Revisions of balances; the database itself refuses to change or delete one.

``digest`` is the SHA-256 of ``record``, ``inputs_digest`` that of what it was calculated from.
"""

balance_uses = sa.Table(
    "balance_uses",
    metadata,
    sa.Column("balance_id", sa.Uuid(), primary_key=True),
    sa.Column("revision", sa.Integer(), primary_key=True),
    sa.Column("reading_id", sa.ForeignKey("readings.id"), primary_key=True, index=True),
    sa.Column("version", sa.Integer(), nullable=False),
    sa.Column("position", sa.Integer(), nullable=True),
    sa.ForeignKeyConstraint(
        ["balance_id", "revision"], ["balance_revisions.balance_id", "balance_revisions.revision"]
    ),
)
"""Which version of which reading stands where in a revision; nowhere if it was not used."""

balance_readings = sa.Table(
    "balance_readings",
    metadata,
    sa.Column("balance_id", sa.Uuid(), primary_key=True),
    sa.Column("revision", sa.Integer(), primary_key=True),
    sa.Column("position", sa.Integer(), primary_key=True),
    sa.Column("places", sa.Text(), nullable=False),
    sa.Column("knowledge", sa.String(20), nullable=False),
    sa.Column("body", Json(), nullable=False),
    sa.ForeignKeyConstraint(
        ["balance_id", "revision"], ["balance_revisions.balance_id", "balance_revisions.revision"]
    ),
)
"""The readings of a revision as reconciled; ``places`` are its streams, each between line ends."""

due_spells = sa.Table(
    "due_spells",
    metadata,
    sa.Column("site_id", sa.ForeignKey("sites.id"), primary_key=True),
    sa.Column("since", Instant(), nullable=False),
)
"""Sites with a new flowsheet, mapping or calendar: from when on shifts have to be looked at."""

trail = sa.Table(
    "trail",
    metadata,
    sa.Column("id", sa.Uuid(), primary_key=True),
    sa.Column("site_id", sa.ForeignKey("sites.id"), nullable=False),
    sa.Column("number", sa.Integer(), nullable=False),
    sa.Column("reading_id", sa.ForeignKey("readings.id"), nullable=True, index=True),
    sa.Column("balance_id", sa.ForeignKey("shift_balances.id"), nullable=True, index=True),
    sa.Column("body", sa.Text(), nullable=False),
    sa.Column("digest", sa.String(64), nullable=False),
    sa.UniqueConstraint("site_id", "number"),
)
"""
What persons decided and signed; the database itself refuses to change or delete an entry.

``digest`` is the SHA-256 of ``body``, which holds the digest of the entry before.
"""

tests = sa.Table(
    "tests",
    metadata,
    sa.Column("id", sa.Uuid(), primary_key=True),
    sa.Column("site_id", sa.ForeignKey("sites.id"), nullable=False),
    sa.Column("title", sa.Text(), nullable=True),
    sa.Column("newest", sa.Integer(), nullable=False),
    sa.Column("created_at", Instant(), nullable=False),
    sa.Index(None, "site_id", "id"),
)
"""Laboratory tests; ``newest`` is the number of the last revision, ``title`` that of its sheet."""

test_revisions = sa.Table(
    "test_revisions",
    metadata,
    sa.Column("test_id", sa.ForeignKey("tests.id"), primary_key=True),
    sa.Column("revision", sa.Integer(), primary_key=True),
    sa.Column("digest", sa.String(64), nullable=False),
    sa.Column("media_type", sa.String(100), nullable=False),
    sa.Column("sheet", sa.LargeBinary(), nullable=False),
    sa.Column("record", sa.Text(), nullable=False),
    sa.Column("summary", Json(), nullable=False),
    sa.Column("person", sa.Text(), nullable=True),
    sa.Column("reason", sa.Text(), nullable=True),
    sa.Column("made_at", Instant(), nullable=False),
)
"""
Revisions of tests; the database itself refuses to change or delete one.

``sheet`` is what came, byte by byte, ``record`` what it led to, ``digest`` the SHA-256 of the
record; ``person`` and ``reason`` say who corrected the one before, and why.
"""
