"""The names at the package root: the example in the docstring runs, nothing heavy is loaded."""

from __future__ import annotations

import doctest
import importlib.metadata
import subprocess
import sys
from pathlib import Path

import pytest

import borewarden
from borewarden.cli import COMMANDS, load_command

HEAVY = ("pandas", "numba", "scipy", "pyarrow", "matplotlib", "plotly", "river", "skimage")
ROOT = Path(__file__).parents[1]


def test_the_example_runs_as_printed(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(ROOT)
    tried = doctest.testmod(borewarden)
    assert tried.attempted >= 9
    assert tried.failed == 0


def test_every_public_name_is_there() -> None:
    assert all(getattr(borewarden, name) is not None for name in borewarden.__all__)
    with pytest.raises(AttributeError, match="no attribute 'nothing'"):
        _ = borewarden.nothing  # type: ignore[attr-defined]


def test_the_version_stands_in_one_place() -> None:
    assert importlib.metadata.version("borewarden") == borewarden.__version__


@pytest.mark.parametrize(
    "module",
    ["borewarden", "borewarden.cli", "borewarden.base.samples", "borewarden.collect.modbus"],
)
def test_loads_nothing_heavy(module: str) -> None:
    say = f"import sys, {module}; print([m for m in {HEAVY} if m in sys.modules])"
    done = subprocess.run([sys.executable, "-c", say], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


@pytest.mark.parametrize("name", COMMANDS)
def test_help_of_the_list_is_that_of_the_command(name: str) -> None:
    """The list of commands is printed without importing them, so it holds their help once more."""
    own = " ".join((load_command(name).help or "").split("\n\n")[0].split())
    assert own == COMMANDS[name].help
