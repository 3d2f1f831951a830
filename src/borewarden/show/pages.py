"""How the package's pages are filled."""

from __future__ import annotations

import jinja2


def template_environment() -> jinja2.Environment:
    """How the package's pages are filled: everything escaped, nothing silently missing."""
    return jinja2.Environment(
        loader=jinja2.PackageLoader("borewarden.show"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
