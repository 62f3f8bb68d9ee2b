"""The nouns that every room passes on: frozen, checked, no I/O. Import them from their modules."""
