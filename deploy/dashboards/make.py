"""Writes all dashboards from the one definition: `python deploy/dashboards/make.py`.

The JSON is kept, because that is all that the user interfaces read; a test compares.
"""

from __future__ import annotations

import json
from pathlib import Path

import grafana
import perses
from definition import boards

DEPLOY = Path(__file__).parents[1]


def files() -> dict[str, str]:
    """The text of each file by its path below `deploy`."""
    made = {}
    for board in boards():
        for dialect in ("influxql", "promql"):
            path = f"grafana/dashboards/{dialect}/borewarden-{board.name}.json"
            made[path] = grafana.dashboard(board, dialect)
        made[f"perses/dashboards/{board.name}.json"] = perses.dashboard(board)
    return {
        path: json.dumps(content, indent=2, ensure_ascii=False) + "\n"
        for path, content in made.items()
    }


if __name__ == "__main__":
    for path, text in files().items():
        (DEPLOY / path).parent.mkdir(parents=True, exist_ok=True)
        (DEPLOY / path).write_text(text, encoding="utf-8")
