"""The tape bench: what a recording holds."""
