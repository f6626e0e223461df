"""A class that guesses what a drink will come to: its phones, its guesses, and how near they were."""
