"""State under the home folder, in SQLite: what stands now, orders under way. Never evidence."""
