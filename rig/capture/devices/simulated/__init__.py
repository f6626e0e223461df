"""A rig made of nothing: a drink that cools as drinks do, and devices that speak of it over real ports."""
