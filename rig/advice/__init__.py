"""From a fit to a call, a comparison and what to do next; a room each, which import from those below them only."""
