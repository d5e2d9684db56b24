"""Stations that speak OCP.1 for real, any number in one process."""
