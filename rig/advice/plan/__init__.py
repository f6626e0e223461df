"""What to make or buy next: a fit and a call in; runs or a kit, with what they are expected to tell, out."""
