"""From a fit and a question to the call: how long, how often it lands, between which moments, and why."""
