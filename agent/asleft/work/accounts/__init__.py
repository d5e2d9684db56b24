"""Accounts: how people sign in, and what they sign in with."""
