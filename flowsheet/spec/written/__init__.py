"""Which files the program wrote itself, and how it puts new ones in their place without losing anybody's.

Read in this order: written_list, put_files.
"""
