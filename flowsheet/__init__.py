"""The bench flowsheet: from the weights of a bench test to what a pile of gold ore holds.

Data goes one way through the rooms: spec → ore → steps → solve → study → show → cli.
"""

__version__ = "0.1.0"
