"""Readings become a journal that loses none: the recorder in a process of its own, and followers of what it writes."""
