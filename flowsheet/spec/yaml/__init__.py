"""YAML as plain data in which every field keeps its line and column.

Read marked_document first; settings sets its fields anew, faults words what the YAML reader complains of,
block_reader is what readers of blocks need.
"""
