"""Accounts of the page: who may look, act and set; and the trail of who did what."""

from __future__ import annotations

import getpass
import socket
import sqlite3
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated, Literal

import typer

from borewarden.base.errors import BadInput
from borewarden.base.times import computer_zone, local_time
from borewarden.cli.terminal import AsJson, Listing, app, print_json, print_table, refusing, say
from borewarden.service.passwords import LEAST, digest, hashed, new_token, weakness
from borewarden.store.accounts import (
    Account,
    Session,
    Step,
    accounts,
    begin_session,
    note,
    remove_account,
    sessions,
    set_account,
    trail,
)
from borewarden.store.database import open_store, open_to_read, transaction

account_app = typer.Typer(
    cls=Listing,
    no_args_is_help=True,
    help="Who may see the page and press what, and the trail of who did what.",
    rich_markup_mode=None,
)
app.add_typer(account_app, name="account")

Role = Literal["look", "act", "set"]
NameOf = Annotated[str, typer.Argument(metavar="NAME", help="Name to log in with.")]
RoleOption = Annotated[
    Role,
    typer.Option(
        "--role",
        help="look: see all. act: also acknowledge, shelve, count. set: also see who did what.",
    ),
]
StoreFile = Annotated[Path, typer.Option("--store", help="Embedded store, that of the watch.")]
DB = Path("borewarden.db")
BUSY = 60.0  # s to wait for a watcher that works through months of samples
LONGEST_NAME = 80  # characters
TOKEN_DAYS = 400


@account_app.command("add")
def add_command(name: NameOf, role: RoleOption, store: StoreFile = DB) -> None:
    """Make an account. Asks for the password, or takes the first line of standard input."""
    with refusing("make the account"):
        if not name.strip() or len(name) > LONGEST_NAME or not name.isprintable():
            wrong = "can't be read as a name"
            raise BadInput("account", repr(name), wrong, f"give {LONGEST_NAME} characters at most")
        with _changing(store, None) as (_, known):
            if name in known:
                right = "`borewarden account password` or `role` changes it"
                raise BadInput("account", name, "there is such an account already", right)
        account = Account(name, role, hashed(_new_password(name)))
        with _changing(store, Step(*_now(), "account added", "", f"{name}: {role}")) as (c, _):
            set_account(c, account)
    say(f"{name} may log in with the role {role}.")


@account_app.command("role")
def role_command(
    name: NameOf, role: Annotated[Role, typer.Argument(help="The new one.")], store: StoreFile = DB
) -> None:
    """Give an account another role. Whoever uses it has to log in again."""
    with refusing("change the account"):
        step = Step(*_now(), "role changed", "", f"{name}: {role}")
        with _changing(store, step) as (connection, known):
            set_account(connection, _there(known, name)._replace(role=role))
    say(f"{name} now has the role {role}.")


@account_app.command("password")
def password_command(name: NameOf, store: StoreFile = DB) -> None:
    """Give an account a new password. Its logins and tokens end."""
    with refusing("change the account"):
        with _changing(store, None) as (_, known):
            _there(known, name)
        kept = hashed(_new_password(name))
        with _changing(store, Step(*_now(), "password changed", "", name)) as (connection, known):
            set_account(connection, _there(known, name)._replace(password=kept))
    say(f"{name} has a new password.")


@account_app.command("remove")
def remove_command(name: NameOf, store: StoreFile = DB) -> None:
    """Remove an account, with its logins and tokens. What it did stays in the trail."""
    step = Step(*_now(), "account removed", "", name)
    with refusing("remove the account"), _changing(store, step) as (connection, known):
        _there(known, name)
        remove_account(connection, name)
    say(f"{name} can't log in any more.")


@account_app.command("token")
def token_command(
    name: NameOf,
    days: Annotated[int, typer.Option(min=1, max=4000, help="How long it is good.")] = TOKEN_DAYS,
    store: StoreFile = DB,
) -> None:
    """Print a token with which a program reads the page as this account.

    It goes into a header: `Authorization: Bearer TOKEN`. It only reads, whatever the role.
    """
    with refusing("make the token"):
        token = new_token()
        session = Session(name, time.time_ns() + days * 86_400 * 10**9)
        words = f"{name}: {days} days"
        with _changing(store, Step(*_now(), "token made", "", words)) as (connection, known):
            _there(known, name)
            begin_session(connection, digest(token), session)
    typer.echo(token)


@account_app.command("list")
def list_command(store: StoreFile = DB, as_json: AsJson = False) -> None:
    """List the accounts, with how many logins and tokens each has now."""
    with refusing("list the accounts"), _reading(store) as connection:
        live = [s.name for s in sessions(connection).values() if s.until_ns > time.time_ns()]
        rows = [
            {"name": each.name, "role": each.role, "logins": live.count(each.name)}
            for each in accounts(connection).values()
        ]
    if as_json:
        print_json(rows)
        return
    print_table(("name", "role", "logins and tokens"), (list(row.values()) for row in rows))


@account_app.command("trail")
def trail_command(
    store: StoreFile = DB,
    newest: Annotated[int, typer.Option(min=1, help="How many lines at most.")] = 1000,
    as_json: AsJson = False,
) -> None:
    """Show who did what, newest first: logins, and what was pressed on the page."""
    with refusing("show the trail"), _reading(store) as connection:
        steps = trail(connection, newest)
    if as_json:
        print_json(steps)
        return
    zone = computer_zone()
    rows = [
        (
            local_time(step.time_ns, zone),
            step.by if step.account else f"{step.by} (not checked)",
            *(step.what, step.machine, step.words, step.origin),
        )
        for step in steps
    ]
    print_table(("when", "who", "what", "machine", "more", "from"), rows, width=120)


def _now() -> tuple[int, str, bool, str]:
    """The beginning of a step that is made here: who sits at this computer, by its system."""
    return time.time_ns(), getpass.getuser(), True, f"command on {socket.gethostname()}"


@contextmanager
def _changing(
    store: Path, step: Step | None
) -> Iterator[tuple[sqlite3.Connection, dict[str, Account]]]:
    """The store to be changed, with its accounts; `step` goes into the trail with the change."""
    with open_store(store, patience=BUSY) as connection, transaction(connection):
        yield connection, accounts(connection)
        if step is not None:
            note(connection, step)


@contextmanager
def _reading(store: Path) -> Iterator[sqlite3.Connection]:
    if not store.is_file():
        raise sqlite3.OperationalError(f"{store}: there is no such store")
    with open_to_read(store) as connection:
        yield connection


def _there(known: dict[str, Account], name: str) -> Account:
    if name not in known:
        right = f"known: {', '.join(known)}" if known else "make it: borewarden account add"
        raise BadInput("account", name, "there is no such account", right)
    return known[name]


def _new_password(name: str) -> str:
    """A password as somebody types it, twice, or as it stands on standard input."""
    ask: Callable[[], str] = lambda: sys.stdin.readline().rstrip("\r\n")  # noqa: E731
    if sys.stdin.isatty():
        ask = lambda: typer.prompt(  # noqa: E731
            f"Password of {name}, {LEAST} characters or more",
            hide_input=True,
            confirmation_prompt=True,
        )
    password = ask()
    if wrong := weakness(name, password):
        raise BadInput("account", name, wrong, "choose another one, such as four random words")
    return password
