"""What is told of single rocks: specimens weighed in water, their host rock, and how a rock is to be cut.

Read host_rock, specimen_table, cutting_plan.
"""
