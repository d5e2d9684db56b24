"""Labels for stations."""
