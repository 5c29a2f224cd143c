"""
The tables of the book, the same on SQLite and PostgreSQL.

SQLite tables are STRICT, which takes only INTEGER, TEXT, REAL and BLOB. Order is the order of
row ids, never of the clock; ids are not used twice. Times are UTC, ISO text. `digest` is over
the other columns of the row (`rows.py`), so that one flipped byte is noticed.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import sqlalchemy as sa

SCHEMA_VERSION = "0007"
"""Newest schema step that this program knows."""

metadata = sa.MetaData(
    naming_convention={
        "ix": "ix_%(table_name)s_%(column_0_N_name)s",
        "uq": "uq_%(table_name)s_%(column_0_N_name)s",
        "fk": "fk_%(table_name)s_%(column_0_N_name)s_%(referred_table_name)s",
        "pk": "pk_%(table_name)s",
    }
)


def _text(name: str) -> sa.Column[Any]:
    return sa.Column(name, sa.Text, nullable=False)


def _maybe_text(name: str) -> sa.Column[Any]:
    return sa.Column(name, sa.Text)


def _integer(name: str) -> sa.Column[Any]:
    # PostgreSQL's INTEGER ends at 2 GB; SQLite's STRICT tables know no BIGINT.
    return sa.Column(name, sa.BigInteger().with_variant(sa.Integer(), "sqlite"), nullable=False)


def _number(name: str) -> sa.Column[Any]:
    # A plain REAL has seven digits on PostgreSQL; STRICT knows no DOUBLE.
    return sa.Column(name, sa.Double().with_variant(sa.REAL(), "sqlite"))


def _refer(name: str, target: str, *, nullable: bool = False) -> sa.Column[Any]:
    return sa.Column(name, sa.Integer, sa.ForeignKey(f"{target}.id"), nullable=nullable)


def _table(name: str, *parts: Any) -> sa.Table:
    return sa.Table(
        name,
        metadata,
        sa.Column("id", sa.Integer, primary_key=True),
        *parts,
        _text("digest"),
        sqlite_strict=True,
        sqlite_autoincrement=True,
    )


alembic_version = sa.Table(
    "alembic_version",
    metadata,
    sa.Column("version_num", sa.Text, primary_key=True),
    sqlite_strict=True,
)
"""The layout that the book has; the name is that of the library which made the first books."""

layout_step = sa.Table(
    "layout_step",
    metadata,
    sa.Column("step", sa.Text, primary_key=True),
    _text("at_utc"),
    _text("version"),
    sqlite_strict=True,
)
"""What brought the book to its layout, when, and by which version of the program."""

last_row = sa.Table(
    "last_row",
    metadata,
    sa.Column("table_name", sa.Text, primary_key=True),
    sa.Column("last_id", sa.Integer, nullable=False),
    sqlite_strict=True,
)
"""The highest number that a row of each table has had; empty on SQLite, which keeps it itself."""

set_type = _table("set_type", _text("name"), _text("document"), sa.UniqueConstraint("name"))

telephone = _table(
    "telephone",
    _text("label"),
    _refer("set_type_id", "set_type"),
    _text("marks"),
    _text("part_dates"),
    _text("colour"),
    _text("made_utc"),
    _text("search_text"),
    _maybe_text("mark"),
    sa.Index(None, "set_type_id"),
    sa.Index(None, "mark"),
)
"""Sets; `set` is a word of SQL itself."""

job = _table(
    "job",
    _text("label"),
    _refer("set_type_id", "set_type"),
    _text("owner"),
    _text("complaint"),
    _text("opened_utc"),
    _maybe_text("closed_utc"),
    _text("search_text"),
    _maybe_text("mark"),
    _maybe_text("stage"),
    _maybe_text("removed_utc"),
    _refer("telephone_id", "telephone", nullable=True),
    _maybe_text("contact"),
    _maybe_text("promised"),
    _maybe_text("used_on"),
    _maybe_text("keep_parts"),
    _maybe_text("language"),
    _maybe_text("forgotten_utc"),
    sa.Index(None, "set_type_id"),
    sa.Index(None, "mark"),
    sa.Index(None, "telephone_id"),
)

note = _table(
    "note", _refer("job_id", "job"), _text("added_utc"), _text("text"), sa.Index(None, "job_id")
)

work = _table(
    "work",
    _refer("job_id", "job"),
    _text("added_utc"),
    _text("kind"),
    _text("what"),
    _text("old_value"),
    _text("new_value"),
    _number("number"),
    _maybe_text("answer"),
    _maybe_text("answered_utc"),
    _maybe_text("withdrawn"),
    sa.Index(None, "job_id"),
)

attachment = _table(
    "attachment",
    _refer("job_id", "job"),
    _text("sha256"),
    _text("name"),
    _integer("n_bytes"),
    _text("added_utc"),
    _maybe_text("stage"),
    _maybe_text("aside"),
    sa.UniqueConstraint("job_id", "sha256", "name"),
)

event = _table(
    "event",
    _refer("job_id", "job"),
    _text("at_utc"),
    _text("kind"),
    _text("text"),
    sa.Index(None, "job_id"),
)

recipe = _table("recipe", _text("sha256"), _text("document"), sa.UniqueConstraint("sha256"))

recording = _table(
    "recording",
    _text("sha256"),
    _refer("recipe_id", "recipe"),
    _integer("rate_hz"),
    _integer("n_samples"),
    _integer("n_bytes"),
    _text("path"),
    _text("saved_utc"),
    _text("version"),
    _text("document"),
    sa.UniqueConstraint("sha256"),
)

run = _table(
    "run",
    _refer("job_id", "job", nullable=True),
    _text("path"),
    _text("stage"),
    _integer("n_seats"),
    _number("at_1khz_db"),
    _number("slr_db"),
    _number("rlr_db"),
    _number("stmr_db"),
    _number("sinad_db"),
    _maybe_text("taken_utc"),
    _text("saved_utc"),
    _text("version"),
    _text("document"),
    _refer("origin_id", "run", nullable=True),
    _maybe_text("aside"),
    sa.Column("simulated", sa.Integer),
    sa.Index(None, "job_id"),
    sa.Index(None, "stage", "path"),
    sa.Index(None, "origin_id"),
)

measurement = _table(
    "measurement",
    _maybe_text("recording_sha256"),
    _text("version"),
    _number("at_1khz_db"),
    _number("slr_db"),
    _number("rlr_db"),
    _number("stmr_db"),
    _number("sinad_db"),
    _number("psophometric_dbfs"),
    _integer("n_problems"),
    _text("made_utc"),
    _text("document"),
    sa.Index(None, "recording_sha256", "version"),
)

run_measurement = _table(
    "run_measurement",
    _refer("run_id", "run"),
    _integer("position"),
    _refer("measurement_id", "measurement"),
    sa.UniqueConstraint("run_id", "position"),
    sa.Index(None, "measurement_id"),
)

baseline = _table(
    "baseline",
    _refer("set_type_id", "set_type"),
    _text("path"),
    _integer("n"),
    _text("built_utc"),
    _text("version"),
    _text("document"),
    sa.Index(None, "set_type_id", "path"),
)

comparison = _table(
    "comparison",
    _refer("job_id", "job", nullable=True),
    _text("stage"),
    _text("against_kind"),
    _text("against_name"),
    _text("overall"),
    _text("made_utc"),
    _text("document"),
    sa.Index(None, "job_id"),
)

bench_record = _table(
    "bench_record",
    _text("kind"),
    _text("name"),
    _text("saved_utc"),
    _text("document"),
    sa.Index(None, "kind", "name"),
)

shop = _table("shop", _text("saved_utc"), _text("document"))
"""Who does the work; the newest row counts."""

removed_row = _table(
    "removed_row",
    _text("table_name"),
    sa.Column("first_id", sa.Integer, nullable=False),
    sa.Column("last_id", sa.Integer, nullable=False),
    _text("removed_utc"),
)
"""Rows that the program took away itself: any other number that is not there was lost."""


def list_numbered() -> Iterator[sa.Table]:
    """Tables whose rows have a number and a digest, those that others point to first."""
    yield from (table for table in metadata.sorted_tables if "digest" in table.c)
