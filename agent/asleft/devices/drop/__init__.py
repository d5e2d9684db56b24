"""The drop folder: stations that are read from snapshot files, put there by hand or by another program."""
