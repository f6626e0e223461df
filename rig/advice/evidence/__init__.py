"""What so many runs, hits or readings can tell: plain arrays in, estimates with their uncertainty out."""
