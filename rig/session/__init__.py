"""A drink being made, for the command line and the dashboard alike: its devices, its steps, its call, its cautions."""
