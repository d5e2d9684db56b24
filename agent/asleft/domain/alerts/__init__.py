"""Alerts: who is told what, when, and in which words."""
