"""`python -m panel` is the command `fairhearing`."""

from panel.cli import app

app()
