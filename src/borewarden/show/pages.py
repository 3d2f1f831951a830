"""How the package's pages and mails are filled."""

from __future__ import annotations

import jinja2

from borewarden.show.style import PALETTE, css_palette


def template_environment(*, escaped: bool = True) -> jinja2.Environment:
    """The package's templates: all text escaped unless it is plain text, no value left out."""
    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("borewarden.show"),
        autoescape=escaped,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.globals |= {"palette": PALETTE, "css_palette": css_palette()}
    return environment
