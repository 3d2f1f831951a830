"""A file with what was found at a machine, in place of questions: TOML, or JSON in .json."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path

from pydantic import BaseModel, ConfigDict, ValidationError

from borewarden.base.errors import BadInput
from borewarden.base.files import read_file
from borewarden.settings.explain import first_mistake


class Given(BaseModel):
    """What was found: who looked, a note, pictures, and the answers by step.

    With `measure`, the rim is to be measured in the first picture.
    """

    model_config = ConfigDict(extra="forbid")

    by: str = ""
    note: str = ""
    measure: bool = False
    pictures: list[Path] = []
    answers: dict[str, str] = {}


def read_answers(file: Path) -> Given:
    """What the file says; its pictures are looked for beside it. Raises BadInput."""
    try:
        text = read_file(file, "give an answers file").decode("utf-8-sig")
        data = json.loads(text) if file.suffix == ".json" else tomllib.loads(text)
        if not isinstance(data, dict):
            raise ValueError("it is not a table")
        given = Given(**data)
    except BadInput:
        raise
    except ValidationError as error:
        raise first_mistake(file, error, Given) from None
    except (ValueError, RecursionError) as error:
        raise BadInput(file, "file", f"broken: {error}", "write TOML, or JSON in .json") from None
    given.pictures = [file.parent / each for each in given.pictures]
    return given
