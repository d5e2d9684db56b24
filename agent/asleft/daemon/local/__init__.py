"""The local socket by which the command line reaches a running agent."""
