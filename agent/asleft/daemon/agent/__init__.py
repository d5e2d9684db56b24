"""The running agent: its life, its schedule, and what runs beside the rounds."""
