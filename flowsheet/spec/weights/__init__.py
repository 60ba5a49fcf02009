"""What was weighed, from the sheet or from a weigh sheet (CSV), test by test.

Read in this order: weigh_table, weigh_line, weigh_sheet, fractions, weighed_test, read_weighed.
"""
