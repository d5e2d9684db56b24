"""`python -m asleft` is the asleft command."""

from asleft.cli.app import main

main()
