"""What a trace shows: start and stop of motion, steady scale, cadence; arrays in, values out, no files."""
