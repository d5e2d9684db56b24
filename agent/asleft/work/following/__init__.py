"""Stations that are followed live between rounds."""
