"""From what a sensor gives to a temperature or a mass, and how well it is known."""
