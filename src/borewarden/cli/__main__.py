"""`python -m borewarden.cli`."""

from borewarden.cli import app

app()
