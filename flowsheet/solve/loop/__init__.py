"""A loop of a sheet: opened at its cuts, solved exactly, its steps settled where they hang on what they are fed.

Read ``absorb``, ``blocks``, ``cuts``, ``by_class``, ``rock``, ``fixed_point``, ``tuning`` and ``stage``, in this order.
"""
