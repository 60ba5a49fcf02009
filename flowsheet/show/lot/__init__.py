"""The pile: in words, tables and pictures."""
