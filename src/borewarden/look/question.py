"""What readings alone can't tell: a person has to, in a dialogue or by an option."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from borewarden.base.errors import BadInput


class Question(BadInput):
    """Asks for `option`, one of `choices` where there are any; without a dialogue, an error."""

    def __init__(
        self, file: Path | str, where: str, wrong: str, option: str, choices: Sequence[str] = ()
    ) -> None:
        given = " or ".join(f"{option} {choice}" for choice in choices) or option
        super().__init__(file, where, wrong, f"say which: {given}")
        self.option = option
        self.choices = tuple(choices)


class PanelQuestion(Question):
    """Asks what the machine's panel shows as `channel` while the jet is on, such as `example`."""

    def __init__(self, file: Path | str, channel: str, wrong: str, example: str) -> None:
        super().__init__(file, channel, wrong, "--panel")
        self.right = f"say what it shows, as in --panel '{channel}={example}'"
        self.channel = channel
        self.example = example
