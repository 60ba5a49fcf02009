"""Reconciled weights, and closure while a test goes on: in words, tables and pictures."""
