"""Something to try without a machine, a log or a clone: an invented day that comes along."""

import gzip
from importlib.resources import files
from pathlib import Path
from typing import Annotated

import typer

from borewarden.base.errors import BadInput
from borewarden.base.files import check_output
from borewarden.base.shown import show_in
from borewarden.cli.logged import print_result
from borewarden.cli.terminal import app, counted, refusing, say, typed, warn_if_compiling
from borewarden.replay.one_machine import replay_logs
from borewarden.settings import load_machine
from borewarden.show.report import write_report

FOLDER = Path("borewarden-demo")
README, MACHINE, LOG = "README.txt", "north.toml", "north-2026-03-04-chip.csv"
STORE, REPORT = "borewarden.db", "report.html"


@app.command("demo")
def demo_command(
    folder: Annotated[Path, typer.Option(help="Folder to put everything into.")] = FOLDER,
) -> None:
    """Try it: replay an invented day on which a jewel chips.

    Puts the machine file, the log, a store and a report into a folder of the current directory,
    and overwrites nothing there that it has not put there itself.
    """
    with refusing("run the demo"):
        _put_down(folder)
        settings = load_machine(folder / MACHINE)
        check_output("--folder", folder / REPORT, [folder / name for name in (MACHINE, LOG, STORE)])
        show_in(settings.shown_units)
        warn_if_compiling()
        with counted("samples") as progress:
            result = replay_logs(settings, [folder / LOG], folder / STORE, progress)
        write_report(result, folder / REPORT)
    print_result(result)
    say(*next_steps(folder))


def demo_files() -> dict[str, bytes]:
    """What comes along in the package, by the name that each file has in the folder."""
    packaged = sorted(files("borewarden").joinpath("demo").iterdir(), key=lambda file: file.name)
    contents = {file.name: file.read_bytes() for file in packaged if file.is_file()}
    return {
        name.removesuffix(".gz"): gzip.decompress(content) if name.endswith(".gz") else content
        for name, content in contents.items()
    }


def _put_down(folder: Path) -> None:
    """Put the files into `folder`. Raises BadInput rather than overwrite what others put there."""
    contents = demo_files()
    right = f"move it away, or name another folder: --folder {folder}-2"
    if folder.exists() and not folder.is_dir():
        raise BadInput(folder, "folder", "there is a file of that name", right)
    was_here = (folder / README).exists()
    changed = [
        name
        for name, content in contents.items()
        if (folder / name).exists() and (folder / name).read_bytes() != content
    ]
    made = [name for name in (STORE, REPORT) if (folder / name).exists() and not was_here]
    for name in (*changed, *made):
        raise BadInput(folder / name, "file", "the demo has not put that there", right)
    folder.mkdir(parents=True, exist_ok=True)
    for name, content in contents.items():
        (folder / name).write_bytes(content)


def next_steps(folder: Path) -> list[str]:
    """What to try next, each as a command."""
    machine, store = folder / MACHINE, folder / STORE
    serve = typed(
        "serve", "--first", "2026-03-04", "--chip-at", "2026-03-04T07:30", "--machine", machine,
        "--speed", "60",
    )  # fmt: skip
    return [
        "",
        "That was an invented day of an invented shop; the jewel truly chipped at 10:17:30.",
        f"Report: {folder / REPORT}",
        f"Store:  {store}",
        "",
        "Try next:",
        f"  {typed('inspect', '--machine', machine, '--store', store)}",
        f"  {typed('shift', '--config', machine, '--store', store, '--at', '2026-03-04T14:00')}",
        f"  {typed('bores', '--machine', machine)}",
        "Live, with the stand-in pump in one terminal and the watcher in another; a minute is an",
        "hour, and the page is at http://127.0.0.1:8787:",
        f"  {serve}",
        f"  {typed('watch', '--config', machine, '--store', folder / 'live.db')}",
        f"Then copy {machine}, enter the figures of your own pump, and replay your own log:",
        f"  {typed('replay', 'YOUR-LOG.csv', '--machine', 'YOUR-PUMP.toml')}",
    ]
