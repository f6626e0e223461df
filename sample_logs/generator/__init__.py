"""A made-up world of shaken and stirred drinks, finer than any model that is fitted to it."""
