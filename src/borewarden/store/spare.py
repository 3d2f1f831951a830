"""A store in memory, for as long as the one on disk can't be written.

It has the same tables and is written by the same functions. Ids of its outbox go on where those of
the store ended, so that a mail keeps its id when all of it is poured into the store.
"""

from __future__ import annotations

import sqlite3

from borewarden.store import outbox
from borewarden.store.database import TABLES

PAGE = 4096  # bytes
MOST_BYTES = 512 * 2**20  # a week of ten machines with four channels at 1 Hz
POURED = (
    "block", "recent", "batch", "alert", "habits", "alarm", "outbox", "mail", "mail_copy", "trail",
)  # fmt: skip
SAMPLES = "SELECT coalesce(sum(samples), 0) FROM (SELECT samples FROM {0} WHERE {1})"


def open_spare(newest_id: int, most_bytes: int = MOST_BYTES) -> sqlite3.Connection:
    """A store in memory that takes `most_bytes` at most; `newest_id` of the store's outbox."""
    connection = sqlite3.connect(":memory:", isolation_level=None, check_same_thread=False)
    connection.execute(f"PRAGMA page_size = {PAGE}")
    connection.executescript(TABLES)
    connection.execute(f"PRAGMA max_page_count = {most_bytes // PAGE}")
    outbox.ids_from(connection, newest_id)
    return connection


def pour(spare: sqlite3.Connection, connection: sqlite3.Connection) -> None:
    """Write all that `spare` holds into the store, in the caller's transaction."""
    for table in POURED:
        rows = spare.execute(f"SELECT * FROM {table}")
        places = ", ".join("?" * len(rows.description))
        while part := rows.fetchmany(1000):
            connection.executemany(f"INSERT OR REPLACE INTO {table} VALUES ({places})", part)


def make_room(spare: sqlite3.Connection) -> int:
    """Forget the older half of the samples, and of their rows for other places.

    Returns how many samples are lost by that. Batches, alerts, alarms and mails stay.
    """
    lost = 0
    for table, its in (("block", "1"), ("recent", "1"), ("outbox", "kind = 'sample'")):
        older = (
            f"{its} AND rowid <= (SELECT (min(rowid) + max(rowid)) / 2 FROM {table} WHERE {its})"
        )
        if table != "outbox":
            lost += spare.execute(SAMPLES.format(table, older)).fetchone()[0]
        spare.execute(f"DELETE FROM {table} WHERE {older}")
    return lost
