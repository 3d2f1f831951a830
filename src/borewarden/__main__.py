"""`python -m borewarden`."""

from borewarden.cli import main

main()
