"""The command line. Results go to stdout, everything else to stderr."""
