"""Three benches of invented drinks, and the generator that wrote them."""
