"""From runs to fitted models and predictions."""
