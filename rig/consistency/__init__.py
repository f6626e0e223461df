"""A run's numbers judged against each other: what conservation of mass and heat forbids, and what is odd."""
