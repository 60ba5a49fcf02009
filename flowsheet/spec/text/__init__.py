"""Text and numbers as people write them, and files that hold them.

Read in this order: notes, mistakes, wording, brief, text_file, source_files, safe_writing, table_cells; units,
refusals, mesh, amounts, numbers.
"""
