"""What a drink is before any ice: a recipe in; its work, its batch and what it means to people out."""
