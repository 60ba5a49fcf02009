"""What do the weights teach of ore and steps, how sure is that, and what would the next sack hold?

Read in this order: ore_from_weights, another_sack; predicted_weights, fitted_sheet, evidence, bounded_lsq,
laplace_posterior, fit, profile_likelihood, identifiability; corrected_draws, this_test, confidence,
chance.
"""
