"""What the page gives and takes, for programs: JSON over HTTP, with a token in place of a session."""
