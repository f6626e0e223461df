"""A drink recorded from a page: one session on this computer, told to every screen that looks."""
