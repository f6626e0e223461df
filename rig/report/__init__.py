"""Findings as pages to keep and print."""
