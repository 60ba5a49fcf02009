"""How many sacks, what of each, how fine before each split, and how sure that makes.

Read in this order: sampling_variance, error_law, sampling_cost, plan_search, wish, sampling_plan; simulate tries
plans out.
"""
