"""What a sheet must mean, once its shape is right: small named checks, a module a subject.

Read draft and all_checks first, then streams, flow, factors, ores, doubts, weighed (with sieved_fractions, upstream,
implausible_gold), fitted, money; then topic.
"""
