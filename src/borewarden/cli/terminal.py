"""What every command shares: where it is registered, where it prints, and how it refuses."""

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from typing import NoReturn

import typer
from rich.console import Console

from borewarden.base.errors import BadInput
from borewarden.base.plain_errors import plain_reason

app = typer.Typer(pretty_exceptions_enable=False)  # each module adds its commands
out = Console()
err = Console(stderr=True)

BAD_INPUT = 2


@contextmanager
def refusing(what: str) -> Iterator[None]:
    """Turn what can't be used, reached or written into plain words and exit code 2."""
    try:
        yield
    except BadInput as bad:
        fail(bad)
    except KeyboardInterrupt:
        raise typer.Exit(130) from None
    except (sqlite3.Error, OSError, ValueError) as failed:
        reason = plain_reason(failed) if isinstance(failed, OSError) else failed
        err.print(f"can't {what}: {reason}", markup=False, soft_wrap=True)
        raise typer.Exit(BAD_INPUT) from None


def fail(bad: BadInput) -> NoReturn:
    """Say what can't be used, where and why, and end with exit code 2."""
    err.print(f"can't use {bad.file}", markup=False, highlight=False, soft_wrap=True)
    for name, text in (("where", bad.where), ("wrong", bad.wrong), ("right", bad.right)):
        err.print(f"  {name}: {text}", highlight=False, markup=False, soft_wrap=True)
    raise typer.Exit(BAD_INPUT)
