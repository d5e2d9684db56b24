"""Drawings made on the server: pure functions from values to the elements of an SVG."""
