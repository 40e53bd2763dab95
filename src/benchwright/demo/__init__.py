"""Invented machines and units, to try the tool on and to measure it with."""
