"""The one estimate: what a test held, kept and lost, and the ore that it came from, given all that was weighed.

Read in this order: unknowns, prior, slack_solver, forward, streams, picked_metal, exact_luck, grain_luck, evidence,
posterior_mode, importance, estimate, by_size, written_estimate.
"""
