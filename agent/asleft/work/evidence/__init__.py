"""Questions that are answered from the two git repositories alone."""
