"""The handover book of a site."""
