"""Trials and forecasts: in words, tables and pictures."""
