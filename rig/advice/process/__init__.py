"""A drink through all its steps, and several by the clock: steps in; temperature, water and odds out."""
