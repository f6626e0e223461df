"""The dashboard: runs, comparisons and calls in a browser, served from this computer."""
