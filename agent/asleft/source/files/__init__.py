"""What may stand in each kind of file of a baseline repository."""
