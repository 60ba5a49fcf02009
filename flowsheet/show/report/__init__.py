"""The report: one document of all that a sheet tells, as HTML or PDF, from one list of sections."""
