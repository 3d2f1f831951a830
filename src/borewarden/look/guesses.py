"""The comments by which a machine file says what was guessed, and where it says so."""

from __future__ import annotations

import re
from pathlib import Path

from borewarden.base.files import read_file

GUESSED = "guessed, please check"
UNKNOWN = "not known: watched relative to the learned level"
SECTION = re.compile(r"\s*\[+\s*([\w.]+)\s*\]+")
FIGURE = re.compile(rf"\s*(\w+)\s*=.*#\s*(?:{GUESSED}|{UNKNOWN})")
UNIMPORTANT = ("fitted",)  # for what a pump can feed


def guessed_figures(path: Path) -> list[str]:
    """The fields of [pump] and [[jewel]] that a machine file calls guessed or not known.

    Empty for a file that somebody wrote by hand and that has no such comments. Raises BadInput.
    """
    section, found = "", []
    for line in (
        read_file(path, "give a machine's TOML file").decode("utf-8", "replace").splitlines()
    ):
        if match := SECTION.match(line):
            section = match[1]
        elif section in ("pump", "jewel") and (match := FIGURE.match(line)):
            found += [match[1]] if match[1] not in UNIMPORTANT else []
    return found
