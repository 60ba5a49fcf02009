"""The lot sheet, as a page or as text."""
