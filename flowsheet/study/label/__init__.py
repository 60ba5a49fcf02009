"""What a lot sheet tells a buyer, as plain data: what was tested, the grade, what is kept (contents)."""
