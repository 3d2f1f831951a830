"""`python -m borewarden`."""

from borewarden.cli import app

app()
