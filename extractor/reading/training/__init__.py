"""Training of the project's own figure reader; nothing else in the package imports it."""
