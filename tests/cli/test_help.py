"""Help is printed in full, whatever stands in square brackets."""

from __future__ import annotations

from typing import Any

import pytest
from typer.testing import CliRunner

from borewarden.cli import COMMANDS, app, load_command


def words(text: str) -> str:
    """In one line, also where a line was broken behind a hyphen."""
    return " ".join(text.split()).replace("- ", "-")


def printed(*path: str) -> str:
    done = CliRunner().invoke(app, [*path, "--help"])
    assert done.exit_code == 0, done.output
    return words(done.stdout)


def with_subcommands(name: str) -> list[tuple[tuple[str, ...], Any]]:
    command = load_command(name)
    own = getattr(command, "commands", {})
    return [((name,), command), *(((name, sub), each) for sub, each in own.items())]


@pytest.mark.parametrize("name", COMMANDS)
def test_every_option_is_explained_in_full(name: str) -> None:
    for path, command in with_subcommands(name):
        said = printed(*path)
        assert words(command.help) in said
        for parameter in command.params:
            if isinstance(parameter.help, str):
                assert words(parameter.help) in said, (path, parameter.name)


def test_square_brackets_are_text() -> None:
    assert "A machine file with a [source]." in printed("serve")


def test_list_of_commands_has_headings_and_cuts_nothing_short() -> None:
    said = printed()
    for place in COMMANDS.values():
        assert f"{place.panel}: " in said
        assert place.help in said
    assert "..." not in said.replace("[ARGS]...", "")
    assert "..." not in printed("register").replace("[ARGS]...", "")
