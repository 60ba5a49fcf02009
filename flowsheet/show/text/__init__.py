"""What every answer is written with: figures, tables, the terminal, HTML text, workbooks.

Read figures, spans, line_width, tables, terminal; content, markup, workbook; changes; long_work.
"""
