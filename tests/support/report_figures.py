"""The figures of a report, as plotly.js gets them."""

from __future__ import annotations

import base64
import json
import re
from pathlib import Path
from typing import Any

import numpy as np


def figure(page: Path, name: str) -> tuple[dict[str, Any], dict[str, Any]]:
    """One figure of the `page`: its traces by name, and its layout."""
    text = page.read_text(encoding="utf-8")
    found = re.search(f'<script type="application/json" id="{name}-data">(.*?)</script>', text)
    assert found is not None, name
    spec = json.loads(found[1])
    return {trace["name"]: trace for trace in spec["data"]}, spec["layout"]


def numbers(array: Any) -> np.ndarray:
    """An array of a plotly figure, which packs them."""
    if isinstance(array, dict):
        return np.frombuffer(base64.b64decode(array["bdata"]), dtype=array["dtype"])
    return np.array([np.nan if value is None else value for value in array])
