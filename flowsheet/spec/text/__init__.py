"""Text and number_with_doubt as people write them, and files that hold them.

Read in this order: notes, mistakes, wording, brief, renderers, text_file, source_files, safe_writing, table_cells;
units, refusals, mesh, amounts, number_with_doubt.
"""
