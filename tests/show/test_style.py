"""One palette: every colour of a page, mail, figure or dashboard comes from `show.style`."""

from __future__ import annotations

import re
from pathlib import Path

from borewarden.show.style import PALETTE, css_palette

ROOT = Path(__file__).parents[2]
STYLE = ROOT / "src" / "borewarden" / "show" / "style.py"
COLOUR = re.compile(r"#(?:[0-9a-f]{8}|[0-9a-f]{6}|[0-9a-f]{3,4})(?![-\w])|\b(?:rgb|hsl)a?\(", re.I)
WRITTEN = (".py", ".html", ".css", ".js", ".txt")


def test_colours_are_written_in_one_file_only() -> None:
    files = [path for path in (ROOT / "src").rglob("*") if path.suffix in WRITTEN]
    files += (ROOT / "deploy" / "dashboards").glob("*.py")
    stray = [
        f"{path.relative_to(ROOT)}:{number}: {line.strip()}"
        for path in files
        if path != STYLE
        for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), start=1)
        if COLOUR.search(line)
    ]
    assert len(files) > 100
    assert not stray


def test_style_sheets_use_only_variables_that_the_palette_has() -> None:
    sheets = [path for path in (ROOT / "src").rglob("*") if path.suffix in (".css", ".html")]
    used = {
        name
        for path in sheets
        for name in re.findall(r"var\(--([\w-]+)\)", path.read_text(encoding="utf-8"))
    }
    assert used
    assert used - {"share"} <= set(PALETTE)  # the length of a bar, which the script sets
    for name in used & set(PALETTE):
        assert f"--{name}: {PALETTE[name]};" in css_palette()
