"""Set-ups, groups of runs and alternatives side by side: fits in; differences with how sure they are out."""
