"""The comments by which a machine file says what was guessed, and where it says so."""

from __future__ import annotations

import re

GUESSED = "guessed, please check"
UNKNOWN = "not known: watched relative to the learned level"
SIZES = ("plunger_diameter", "stroke")  # without them, nobody knows what a stroke delivers
SECTION = re.compile(r"\s*(\[+)\s*([\w.]+)\s*\]+")
FIGURE = re.compile(rf"\s*(\w+)\s*=.*#\s*(?:{GUESSED}|{UNKNOWN})")


def guesses_in(text: str) -> list[str]:
    """The fields that the `text` of a machine file calls guessed or not known.

    They are named as in `pump.stroke` and `jewel[1].bore`. None in a file that somebody wrote by
    hand and that has no such comments.
    """
    section, jewels, found = "", 0, []
    for line in text.splitlines():
        if match := SECTION.match(line):
            section = f"{match[2]}."
            if (match[1], match[2]) == ("[[", "jewel"):
                jewels += 1
                section = f"jewel[{jewels}]."
        elif match := FIGURE.match(line):
            found.append(f"{section}{match[1]}")
    return found
