"""Alarms at work: kept, acted upon, counted."""
