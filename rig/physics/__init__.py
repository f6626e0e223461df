"""Properties and models of liquids and ice: arrays in, arrays out; no files."""
