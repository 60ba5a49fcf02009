"""What several questions share: one thing changed, numbers in doubt and their draws, the luck of grains, intervals.

Read in this order: streams, what_if, coarse_fraction, uncertain_inputs, grain_lots,
monte_carlo, compound_poisson, interval, gy; units_out has the units that results are told in; notebook_result lets
results show themselves, frames lets them be tables.
"""
