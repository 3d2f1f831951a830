"""What one command alone needs is an extra, and whoever lacks it is told what to install."""

from __future__ import annotations

import re
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

from borewarden.cli import COMMANDS

ROOT = Path(__file__).parents[2]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]


def without(package: str, folder: Path, *words: str) -> subprocess.CompletedProcess[str]:
    """The command in a process in which `package` can't be imported."""
    program = (
        f"import sys; sys.modules[{package!r}] = None; "
        "from borewarden.cli import app; app(sys.argv[1:])"
    )
    command = [sys.executable, "-c", program, *words]
    return subprocess.run(command, cwd=folder, capture_output=True, text=True, check=False)


@pytest.mark.parametrize(
    ("package", "words", "extra"),
    [
        ("skimage", ("rim", "rim.png"), "rim"),
        (
            "distributed",
            ("fleet", "machines", "--logs", "logs", "--scheduler", "tcp://127.0.0.1:8786"),
            "cluster",
        ),
    ],
)
def test_what_is_missing_is_named_with_its_extra(
    tmp_path: Path, package: str, words: tuple[str, ...], extra: str
) -> None:
    for folder, source in (("machines", "config/south.toml"), ("logs", "replay_data")):
        (tmp_path / folder).mkdir()
        for file in [ROOT / source] if source.endswith("toml") else (ROOT / source).glob("south-*"):
            (tmp_path / folder / file.name).symlink_to(file)
    done = without(package, tmp_path, *words)
    assert done.returncode == 2, done.stderr
    assert f"pip install 'borewarden[{extra}]'" in done.stderr
    assert "Traceback" not in done.stderr


def test_other_commands_load_without_the_extras() -> None:
    program = (
        "import sys; sys.modules['skimage'] = sys.modules['distributed'] = None; "
        "from borewarden.cli import COMMANDS, load_command; "
        "print(*[load_command(name).name for name in COMMANDS])"
    )
    done = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=False
    )
    assert done.stdout.split() == list(COMMANDS), done.stderr


def names(lines: list[str]) -> set[str]:
    return {re.split(r"[^\w-]", line, maxsplit=1)[0] for line in lines}


def test_extra_of_the_tests_has_all_extras() -> None:
    extras = PROJECT["optional-dependencies"]
    assert extras["fleet"] == extras["cluster"]
    for name in ("rim", "cluster"):
        assert names(extras[name]) <= names(extras["test"])
        assert names(extras[name]).isdisjoint(names(PROJECT["dependencies"]))
