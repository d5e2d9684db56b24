"""What a change of the baseline does, station by station."""
