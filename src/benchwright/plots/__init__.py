"""Pictures, as PNG or SVG."""
