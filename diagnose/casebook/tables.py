"""The tables of a case database, as SQLAlchemy sees them; the migrations make them."""

from __future__ import annotations

from sqlalchemy import (
    BigInteger,
    Boolean,
    Column,
    Double,
    ForeignKey,
    Identity,
    Index,
    Integer,
    MetaData,
    Sequence,
    Table,
    UniqueConstraint,
    text,
)
from sqlalchemy import Text as AnyText
from sqlalchemy.dialects.postgresql import JSON

# JSON, not JSONB: it keeps the order of keys and the digits of numbers, so that a case comes
# back byte for byte, and takes what JSONB refuses (a NUL that was typed). What is counted has
# columns of its own.

Text = AnyText(collation="C")
metadata = MetaData()
changes = Sequence("changes", metadata=metadata)

wirings = Table(
    "wirings",
    metadata,
    Column("number", Integer, Identity(), primary_key=True),
    Column("variants", Text, nullable=False, unique=True),
)
"""Every set of variants once (`diagnose.casebook.facts.variants_text`)."""

cases = Table(
    "cases",
    metadata,
    Column("number", BigInteger, Identity(), primary_key=True),
    Column("id", Text, nullable=False, unique=True),
    Column("header", JSON, nullable=False),
    Column("installation", Text, nullable=False),
    Column("wiring", Integer, ForeignKey("wirings.number"), nullable=False),
    Column("site", Text, nullable=False),
    Column("summary", JSON, nullable=False),
    Column("closed", Boolean, nullable=False),
    Column("changed", BigInteger, nullable=False),
    Column("confirmed", Boolean, nullable=False),
    Column("closed_by", Integer),
    Column("cause", Text),
    Column("complaints", Text, nullable=False),
    Column("one_fault", Boolean, nullable=False),
    Column("took", Boolean, nullable=False),
    Index("cases_changed", "changed"),
)
"""What a case is now. `site` is its key, `changed` the latest of `changes`; from `confirmed` on:
its `diagnose.casebook.outcomes.Outcome`, `closed_by` the event that it was closed by, `took`
whether the minutes of some step were put right then.
"""

events = Table(
    "events",
    metadata,
    Column("case_number", BigInteger, ForeignKey("cases.number"), primary_key=True),
    Column("seq", Integer, primary_key=True, autoincrement=False),
    Column("repairs", Integer, nullable=False),
    Column("nth", Integer, nullable=False),
    Column("withdrawn_by", Integer),
    Column("change", BigInteger, nullable=False),
    Column("minutes", Double),
    Column("own", Double),
    Column("walk", Double),
    Column("wiring", Integer),
    Column("sure", Boolean),
    Column("phone", Boolean, nullable=False),
    Column("kind", Text, nullable=False),
    *(
        Column(name, Text)
        for name in (
            *("test", "outcome", "place", "unit", "failure_mode", "question", "choice"),
            *("act", "confirmed", "verified", "held", "site"),
        )
    ),
    Column("id", Text, nullable=False),
    Column("at", Text, nullable=False),
    Column("data", JSON, nullable=False),
    UniqueConstraint("case_number", "id"),
    Index("events_again", "case_number", postgresql_where=text("nth > 0")),
)
"""See `diagnose.casebook.facts.Fact`; `change`: with which of `changes` the event came."""
