"""Sites' keys tell names apart that differ in vowel signs only (Hindi); all is counted anew."""

import sqlalchemy as sa
from alembic import op

from diagnose.interview.sites import site_key

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None

NAMED = sa.text(
    "select e.case_number, e.seq, e.site, e.kind, e.data, c.header from events e"
    " join cases c on c.number = e.case_number where e.site <> ''"
    r" and e.data::text || c.header::text ~ '\\u|[^\x01-\x7f]' order by e.case_number, e.seq"
)
"""Events that name a site, where anything but ASCII was written; the keys of others stay."""


def upgrade() -> None:
    """Compute the columns `site` anew, and empty the counts that rest on them."""
    connection = op.get_bind()
    event = sa.text("update events set site = :key where case_number = :case and seq = :seq")
    case = sa.text("update cases set site = :key where number = :case")
    changed = False
    for row in connection.execute(NAMED).all():
        named = row.kind in ("opened", "described") and "site" in row.data
        key = site_key(str(row.data["site"] if named else row.header.get("site", "")))
        if key != row.site:
            told = {"key": key, "case": row.case_number}
            connection.execute(event, {**told, "seq": row.seq})
            connection.execute(case, told)
            changed = True
    if changed:
        connection.execute(sa.text("truncate counted, tallies"))
