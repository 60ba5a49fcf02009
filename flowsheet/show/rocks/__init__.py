"""Specimens and cuts: in words, tables and pictures."""
