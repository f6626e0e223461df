"""Figures that only the screen needs; those that page and print share are in `rig.report.figures`."""
