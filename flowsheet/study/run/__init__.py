"""One run of a sheet: the balance and the answers to what is asked of it, and what can be turned.

Read in this order: overview; run, told, plain_data, losses, screen_options, sensitivity, gains, sieve_assays;
assumptions, assumed_doubts; parameters, sliders.
"""
