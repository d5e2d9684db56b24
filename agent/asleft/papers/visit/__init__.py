"""The sheet of a visit."""
