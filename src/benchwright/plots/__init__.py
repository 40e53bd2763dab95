"""Pictures of what was measured, as PNG or SVG: drawn from values, readable in print and without colour."""
