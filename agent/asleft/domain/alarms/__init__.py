"""Alarms: what becomes of a drift that asks for a person."""
