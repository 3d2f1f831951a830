"""What every command shares: where it is registered, where it prints, and how it refuses."""

from __future__ import annotations

import shlex
import shutil
import sqlite3
import sys
import warnings
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated, Any, NoReturn

import typer
from rich.box import SIMPLE
from rich.console import Console
from rich.measure import Measurement
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn
from rich.table import Table
from typer.core import TyperGroup

from borewarden.base.errors import BadInput, LogNote, MissingExtra
from borewarden.base.plain import json_text
from borewarden.base.plain_errors import plain_reason

# no markup anywhere: what stands in square brackets is text, be it "[source]" or a shop's own note
app = typer.Typer(pretty_exceptions_enable=False, rich_markup_mode=None)
out = Console(markup=False, highlight=False)
err = Console(stderr=True, markup=False, highlight=False)

BAD_INPUT = 2

AsJson = Annotated[
    bool, typer.Option("--json", help="Print JSON and nothing else: SI units, times in ns UTC.")
]


def say(*lines: str) -> None:
    """Print lines of text, each whole however narrow the terminal."""
    for line in lines:
        out.print(line, soft_wrap=True)


def warn(line: str) -> None:
    """Print a line where errors go."""
    err.print(line, soft_wrap=True)


def typed(*words: object) -> str:
    """A command of ours with these `words`, as the person has to type it in this folder."""
    return shlex.join([*_program(), *map(str, words)])


def _program() -> list[str]:
    """How this program was called; the plain name where that is found, too."""
    called = Path(sys.argv[0])
    if called.name == "__main__.py" and called.parent.name in ("borewarden", "cli"):
        return [sys.executable, "-m", "borewarden"]
    found = shutil.which("borewarden")
    if called.stem != "borewarden" or (found and called.exists() and called.samefile(found)):
        return ["borewarden"]
    return [sys.argv[0]]


@contextmanager
def say_notes() -> Iterator[None]:
    """Within the block, what a reader has to say of a file goes where errors go, in a line."""
    usual = warnings.showwarning

    def show(message: Warning | str, category: type[Warning], *place: Any, **more: Any) -> None:
        if issubclass(category, LogNote):
            warn(f"note: {message}")
        else:
            usual(message, category, *place, **more)

    with warnings.catch_warnings():
        warnings.simplefilter("always", LogNote)
        warnings.showwarning = show
        yield


COMPILING = (
    "compiling; this may take a minute or two on a small machine, and happens only once after an "
    "install or update"
)


def warn_if_compiling() -> None:
    """Say why the first replay after an installation takes longer than all later ones."""
    from borewarden.watcher.watcher import loops_compiled  # slow to load, as its caller has

    if not loops_compiled():
        warn(COMPILING)


def print_json(value: Any) -> None:
    """Print `value` for another program; see `plain` for what becomes of it."""
    typer.echo(json_text(value, indent=2))


def print_table(
    columns: Sequence[str],
    rows: Iterable[Sequence[object]],
    title: str = "",
    width: int = 0,
    header: bool = True,
) -> None:
    """Print a table, over more than a narrow terminal if it needs `width`; no cell is cut short."""
    table = Table(box=SIMPLE, title=title or None, title_justify="left", show_header=header)
    for column in columns:
        table.add_column(column, overflow="fold")
    for row in rows:
        table.add_row(*map(str, row))
    wide = out if width <= out.width else Console(width=width, markup=False, highlight=False)
    table.padding = (0, 1, 0, 0)
    if Measurement.get(wide, wide.options.update_width(10_000), table).maximum > wide.width:
        table.padding = 0
    wide.print(table, crop=False)


class Listing(TyperGroup):
    """A group that lists its commands under headings, each one's first paragraph in full."""

    def panels(self, ctx: Any) -> dict[str, list[str]]:
        """Names of commands by heading."""
        return {"Commands": self.list_commands(ctx)}

    def format_commands(self, ctx: Any, formatter: Any) -> None:
        """Write the list; nothing is cut short."""
        for heading, names in self.panels(ctx).items():
            with formatter.section(heading):
                formatter.write_dl([(name, self._first(ctx, name)) for name in names])

    def _first(self, ctx: Any, name: str) -> str:
        command = self.get_command(ctx, name)
        return ((command and command.help) or "").partition("\n\n")[0]


@contextmanager
def counted(what: str) -> Iterator[Callable[[int, int], None]]:
    """A bar beside the output that counts `what`; hand it how many are done, and of how many."""
    columns = TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn()
    bar = Progress(
        *columns, TimeRemainingColumn(), console=err, transient=True, disable=not err.is_terminal
    )
    with bar:
        task = bar.add_task(what, total=None)
        yield lambda done, of: bar.update(task, completed=done, total=of)


@contextmanager
def refusing(what: str) -> Iterator[None]:
    """Turn what can't be used, reached or written into plain words and exit code 2."""
    try:
        yield
    except BadInput as bad:
        fail(bad)
    except KeyboardInterrupt:
        raise typer.Exit(130) from None
    except (sqlite3.Error, OSError, ValueError, MissingExtra) as failed:
        warn(f"can't {what}: {plain_reason(failed) if isinstance(failed, OSError) else failed}")
        raise typer.Exit(BAD_INPUT) from None


def fail(bad: BadInput) -> NoReturn:
    """Say what can't be used, where and why, and end with exit code 2."""
    warn(f"can't use {bad.file}")
    for name, text in (("where", bad.where), ("wrong", bad.wrong), ("right", bad.right)):
        warn(f"  {name}: {text}")
    raise typer.Exit(BAD_INPUT)
