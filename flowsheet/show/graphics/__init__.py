"""The one style of all pictures, and SVG made fit to stand in a page."""
