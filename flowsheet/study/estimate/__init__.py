"""What do the weights teach of ore and steps, how sure is that, and what would the next sack hold?

Read in this order: another_sack, corrected_draws, ore_from_weights, this_test, next_sack, confidence, told_answers,
chance; bench_draws; predicted_weights, next_look, most_telling, fitted_sheet, fit.
"""
