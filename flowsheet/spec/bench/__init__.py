"""A weigh sheet that is being written while the test goes, and thousands of them read one by one.

Read in this order: weighable, log_text, log_file, bench_log, sheet_with_log; one_test stands alone.
"""
