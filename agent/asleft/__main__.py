"""`python -m asleft` is the asleft command."""

from asleft.cli.start import start

start()
