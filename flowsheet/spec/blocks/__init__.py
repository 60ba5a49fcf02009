"""What each block of a sheet may hold: its fields, described once for reading, schema and help.

Read in this order: fields, factors, measurement, weighed_fields, money, costs_and_sales, pile, slack, step,
grain_doubts, fitted_estimate, schema; then pydantic_faults and explain, which read those descriptions.
"""
