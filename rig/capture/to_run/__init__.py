"""A journal becomes a run: streams on one axis, calibrations, weigh-ins, motion, and its way into the logbook."""
