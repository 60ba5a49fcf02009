"""My weights disagree: what really happened? Reconciliation of the weights under the balance, with no model of a step.

Read in this order: problem, sieved_rock, constrained_lsq, suspect_or_swapped_weights, next_weighing, sieve_balance,
result, reconcile, believed_weights; closure asks the same while a test goes on, misfits what is far from what a sheet
foretold, first_weighing what would tell most before anything is weighed.
"""
