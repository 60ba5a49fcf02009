"""Sampling plans: in words, tables and pictures."""
