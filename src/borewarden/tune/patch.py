"""A change of the machine file as a unified diff; comments and order of the file stay."""

from __future__ import annotations

import difflib
from collections.abc import Mapping
from pathlib import Path

import tomlkit
from tomlkit.items import Table

from borewarden.base.errors import BadInput
from borewarden.tune.grid import SECTION_OF


def patched(text: str, changed: Mapping[str, str]) -> str:
    """The machine file `text` with the settings `changed`, by name, as TOML text of the value."""
    document = tomlkit.parse(text)
    for name, value in changed.items():
        part = SECTION_OF[name]
        if part not in document:
            document.add(part, tomlkit.table())
        section = document[part]
        if not isinstance(section, Table):
            raise BadInput("machine file", part, "is not a section", f"write it as [{part}]")
        # blank lines and comments at its end lead on to the next section
        body = section.value.body
        rest = []
        while name not in section and body and body[-1][0] is None:
            rest.append(body.pop())
        section[name] = value
        body.extend(reversed(rest))
    return tomlkit.dumps(document)


def diff(file: Path, text: str, changed: Mapping[str, str]) -> str:
    """Unified diff of the machine file at `file`, whose text is `text`; for `patch -p0`."""
    lines = difflib.unified_diff(
        text.splitlines(keepends=True),
        patched(text, changed).splitlines(keepends=True),
        fromfile=str(file),
        tofile=str(file),
    )
    return "".join(
        line if line.endswith("\n") else f"{line}\n\\ No newline at end of file\n" for line in lines
    )
