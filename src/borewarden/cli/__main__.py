"""`python -m borewarden.cli`."""

from borewarden.cli import main

main()
