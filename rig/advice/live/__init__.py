"""From a call and a trace under way to the stop; from a drink that is made to its verdict."""
