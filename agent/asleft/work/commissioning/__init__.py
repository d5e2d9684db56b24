"""Taking units into the baseline: what is there is found, and a whole site is captured as it is found."""
