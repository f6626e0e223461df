"""Live capture from probes and scales."""
