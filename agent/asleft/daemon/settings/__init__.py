"""The agent's own settings and credentials."""
