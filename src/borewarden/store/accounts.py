"""Who may see the page and what they may press, who is logged in, and the trail of who did what.

No password and no session's token stands in the store, only what they are known by again.
"""

from __future__ import annotations

import sqlite3
import time
from typing import NamedTuple

ACCOUNTS = """
CREATE TABLE IF NOT EXISTS account (
    name TEXT PRIMARY KEY, role TEXT NOT NULL, password TEXT NOT NULL
) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS session (
    token TEXT PRIMARY KEY, name TEXT NOT NULL, begun_ns INTEGER NOT NULL, until_ns INTEGER NOT NULL
) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS trail (
    time_ns INTEGER NOT NULL, by TEXT NOT NULL, account INTEGER NOT NULL, origin TEXT NOT NULL,
    what TEXT NOT NULL, machine TEXT NOT NULL, words TEXT NOT NULL
);
"""

ROLES = ("look", "act", "set")  # each may do all that those before it may


class Account(NamedTuple):
    """A person's, or a screen's, `role`, and the password as argon2 keeps it."""

    name: str
    role: str
    password: str

    def may(self, role: str) -> bool:
        """Whether it may do what needs `role`."""
        return ROLES.index(self.role) >= ROLES.index(role)


class Session(NamedTuple):
    """Somebody who is logged in, or a program that has a token, until then."""

    name: str
    until_ns: int


class Step(NamedTuple):
    """One line of the trail; `account`: whether `by` was logged in, or only typed that name."""

    time_ns: int
    by: str
    account: bool
    origin: str  # address that it came from, or where the command was given
    what: str
    machine: str
    words: str


def has_accounts(connection: sqlite3.Connection) -> bool:
    """Whether the store has the tables at all: one of an earlier version has not."""
    query = "SELECT 1 FROM sqlite_master WHERE name = 'account'"
    return connection.execute(query).fetchone() is not None


def accounts(connection: sqlite3.Connection) -> dict[str, Account]:
    """Every account by name."""
    if not has_accounts(connection):
        return {}
    rows = connection.execute("SELECT name, role, password FROM account ORDER BY name")
    return {name: Account(name, role, password) for name, role, password in rows}


def set_account(connection: sqlite3.Connection, account: Account) -> None:
    """Make or change an account, in the caller's transaction. Whoever has it logs in again."""
    connection.execute("INSERT OR REPLACE INTO account VALUES (?, ?, ?)", account)
    connection.execute("DELETE FROM session WHERE name = ?", (account.name,))


def remove_account(connection: sqlite3.Connection, name: str) -> None:
    """Remove an account, in the caller's transaction; its name stays in the trail."""
    connection.execute("DELETE FROM session WHERE name = ?", (name,))
    connection.execute("DELETE FROM account WHERE name = ?", (name,))


def sessions(connection: sqlite3.Connection) -> dict[str, Session]:
    """Every session by the digest of its token, those that are over too."""
    if not has_accounts(connection):
        return {}
    rows = connection.execute("SELECT token, name, until_ns FROM session")
    return {token: Session(name, until_ns) for token, name, until_ns in rows}


def begin_session(connection: sqlite3.Connection, token: str, session: Session) -> None:
    """Keep a session, in the caller's transaction, and drop those that are over."""
    now_ns = time.time_ns()
    connection.execute("DELETE FROM session WHERE until_ns < ?", (now_ns,))
    connection.execute(
        "INSERT OR REPLACE INTO session VALUES (?, ?, ?, ?)",
        (token, session.name, now_ns, session.until_ns),
    )


def end_session(connection: sqlite3.Connection, token: str) -> None:
    """End a session, in the caller's transaction."""
    connection.execute("DELETE FROM session WHERE token = ?", (token,))


def note(connection: sqlite3.Connection, step: Step) -> None:
    """Add a line to the trail, in the caller's transaction."""
    connection.execute("INSERT INTO trail VALUES (?, ?, ?, ?, ?, ?, ?)", step)


def trail(connection: sqlite3.Connection, newest: int) -> list[Step]:
    """So many of the newest lines of the trail, newest first."""
    if not has_accounts(connection):
        return []
    rows = connection.execute("SELECT * FROM trail ORDER BY rowid DESC LIMIT ?", (newest,))
    return [Step(time_ns, by, bool(account), *rest) for time_ns, by, account, *rest in rows]
