"""The account of a time, for an auditor."""
