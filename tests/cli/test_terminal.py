"""What all commands print with: nothing is lost, whatever stands in it and however narrow."""

from __future__ import annotations

import signal
import subprocess
import sys
from collections import Counter
from pathlib import Path

import pytest
from rich.console import Console

from borewarden.cli import terminal
from borewarden.cli.terminal import print_table, say, typed, warn_if_compiling
from borewarden.watcher import watcher


@pytest.fixture(autouse=True)
def _narrow(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(terminal, "out", Console(markup=False, highlight=False, width=40))


def test_compiling_says_that_it_takes_minutes_and_happens_once(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(watcher, "loops_compiled", lambda: False)
    warn_if_compiling()
    said = capsys.readouterr().err
    assert "a minute or two on a small machine" in said
    assert "only once after an install" in said


def test_square_brackets_and_long_lines_stay_whole(capsys: pytest.CaptureFixture[str]) -> None:
    line = f"[north] {'a long line ' * 10}[/]"
    say(line)
    assert capsys.readouterr().out == f"{line}\n"


def test_no_cell_is_cut_short(capsys: pytest.CaptureFixture[str]) -> None:
    cells = ("2026-03-05", "[bold]", "probably-opened-up-as-far-as-anybody-can-tell")
    print_table(("day", "note", "state"), [cells])
    said = capsys.readouterr().out
    assert "…" not in said
    assert all(len(line) <= 40 for line in said.splitlines())
    printed = Counter(said.replace("─", "").replace(" ", "").replace("\n", ""))
    assert printed == Counter("daynotestate" + "".join(cells))
    print_table(("day", "note", "state"), [cells], width=100)
    wide = capsys.readouterr().out
    assert all(cell in wide for cell in cells)


def test_a_library_that_brings_the_process_down_says_where() -> None:
    script = (
        "import os, signal, borewarden.cli as cli\n"
        "cli.app = lambda: os.kill(os.getpid(), signal.SIGSEGV)\n"
        "cli.main()\n"
    )
    ended = subprocess.run([sys.executable, "-c", script], capture_output=True, check=False)
    assert ended.returncode == -signal.SIGSEGV
    assert b"Segmentation fault" in ended.stderr
    assert b"borewarden/cli/__init__.py" in ended.stderr


@pytest.mark.parametrize(
    ("called", "found", "program"),
    [
        (".venv/bin/borewarden", False, ".venv/bin/borewarden"),
        ("/opt/my tools/borewarden", False, "'/opt/my tools/borewarden'"),
        ("bin/borewarden", True, "borewarden"),
        ("/site-packages/borewarden/__main__.py", False, f"{sys.executable} -m borewarden"),
        ("/usr/bin/pytest", False, "borewarden"),
    ],
)
def test_a_command_is_said_as_it_has_to_be_typed(
    called: str, found: bool, program: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "bin").mkdir()
    (tmp_path / "bin" / "borewarden").touch(0o755)
    monkeypatch.setenv("PATH", str(tmp_path / "bin") if found else "/nowhere")
    monkeypatch.setattr(sys, "argv", [called])
    assert typed("bores", "--machine", Path("m.toml")) == f"{program} bores --machine m.toml"
