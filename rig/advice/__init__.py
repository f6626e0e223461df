"""From a fit to a call, a comparison and what to do next."""
