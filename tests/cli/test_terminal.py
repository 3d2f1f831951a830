"""What all commands print with: nothing is lost, whatever stands in it and however narrow."""

from __future__ import annotations

from collections import Counter

import pytest
from rich.console import Console

from borewarden.cli import terminal
from borewarden.cli.terminal import print_table, say


@pytest.fixture(autouse=True)
def _narrow(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(terminal, "out", Console(markup=False, highlight=False, width=40))


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
