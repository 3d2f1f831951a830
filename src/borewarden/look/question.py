"""What readings alone can't tell: a person has to, in a dialogue or by an option."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from borewarden.base.errors import BadInput


class Question(BadInput):
    """Asks for `option`, one of `choices` where there are any; without a dialogue, an error.

    An `example` shows how an answer may look that nobody can choose from a list.
    """

    def __init__(
        self,
        file: Path | str,
        where: str,
        wrong: str,
        option: str,
        choices: Sequence[str] = (),
        example: str = "",
    ) -> None:
        given = " or ".join(f"{option} {choice}" for choice in choices) or option
        right = f'give it, as in {option} "{example}"' if example else f"say which: {given}"
        super().__init__(file, where, wrong, right)
        self.option = option
        self.choices = tuple(choices)
        self.example = example
