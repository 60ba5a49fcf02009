"""What the whole pile holds: several tests of its sacks, joined.

Read in this order: ledger, sack_likelihood, spread_between_sacks, pile_total, pile_estimate, student_interval,
combine_tests.
"""
