"""The records repository: what was found and what was done, one commit an act. The agent alone writes it."""
