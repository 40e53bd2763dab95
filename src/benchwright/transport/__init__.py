"""Belts and rotating parts of a tape transport."""
