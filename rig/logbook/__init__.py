"""The database that all runs live in."""
