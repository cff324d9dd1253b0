"""Cases, their events with plain columns for counting, and the counts."""

import sqlalchemy as sa
from alembic import op
from sqlalchemy.dialects.postgresql import JSON

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

TEXT = sa.Text(collation="C")
"""Ids and words with a fixed meaning: compared byte by byte, which is also the quickest way."""


def upgrade() -> None:
    """Make the tables of version 1."""
    op.create_table(
        "wirings",
        sa.Column("number", sa.Integer, sa.Identity(), primary_key=True),
        sa.Column("variants", TEXT, nullable=False, unique=True),
    )
    op.create_table(
        "cases",
        sa.Column("number", sa.BigInteger, sa.Identity(), primary_key=True),
        sa.Column("id", TEXT, nullable=False, unique=True),
        sa.Column("header", JSON, nullable=False),
        sa.Column("installation", TEXT, nullable=False),
        sa.Column("wiring", sa.Integer, sa.ForeignKey("wirings.number"), nullable=False),
        sa.Column("site", TEXT, nullable=False),
        sa.Column("summary", JSON, nullable=False),
        sa.Column("closed", sa.Boolean, nullable=False),
        sa.Column("changed", sa.BigInteger, nullable=False),
        sa.Column("confirmed", sa.Boolean, nullable=False),
        sa.Column("closed_by", sa.Integer),
        sa.Column("cause", TEXT),
        sa.Column("complaints", TEXT, nullable=False),
        sa.Column("one_fault", sa.Boolean, nullable=False),
        sa.Column("took", sa.Boolean, nullable=False),
    )
    op.create_index("cases_changed", "cases", ["changed"])
    op.create_table(
        "events",
        sa.Column("case_number", sa.BigInteger, sa.ForeignKey("cases.number"), nullable=False),
        sa.Column("seq", sa.Integer, nullable=False),
        sa.Column("repairs", sa.Integer, nullable=False),
        sa.Column("nth", sa.Integer, nullable=False),
        sa.Column("withdrawn_by", sa.Integer),
        sa.Column("change", sa.BigInteger, nullable=False),
        sa.Column("minutes", sa.Double),
        sa.Column("own", sa.Double),
        sa.Column("walk", sa.Double),
        sa.Column("wiring", sa.Integer),
        sa.Column("sure", sa.Boolean),
        sa.Column("phone", sa.Boolean, nullable=False),
        sa.Column("kind", TEXT, nullable=False),
        *(
            sa.Column(name, TEXT)
            for name in (
                *("test", "outcome", "place", "unit", "failure_mode", "question", "choice"),
                *("act", "confirmed", "verified", "held", "site"),
            )
        ),
        sa.Column("id", TEXT, nullable=False),
        sa.Column("at", TEXT, nullable=False),
        sa.Column("data", JSON, nullable=False),
        sa.PrimaryKeyConstraint("case_number", "seq"),
        sa.UniqueConstraint("case_number", "id"),
    )
    op.create_index("events_again", "events", ["case_number"], postgresql_where=sa.text("nth > 0"))
    op.execute("create sequence changes")
    op.create_table(
        "tallies",
        sa.Column("kind", TEXT, nullable=False),
        sa.Column("key", TEXT, nullable=False),
        sa.Column("n", sa.BigInteger, nullable=False),
        sa.Column("total", sa.Double, nullable=False),
        sa.Column("squares", sa.Double, nullable=False),
        sa.PrimaryKeyConstraint("kind", "key"),
    )
    op.create_table(
        "counted",
        sa.Column("one", sa.Boolean, sa.CheckConstraint("one"), primary_key=True),
        sa.Column("upto", sa.BigInteger, nullable=False),
    )
