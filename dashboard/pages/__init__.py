"""The pages: each a layout from a bench and an address, and thin callbacks that hold no computation."""
